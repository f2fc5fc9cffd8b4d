"""Reads what methods found in a data set: our own batch, and anybody else's in public formats.

`readers` tries the formats in turn, each a module with one `method_results.ResultsReader`: `own_output`,
`coco_results`, `mot_folders`, `yolo_labels` and `count_table`. Whatever the format, it becomes
`method_results.MethodResults`, which the metrics take.
"""
