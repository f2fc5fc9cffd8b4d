"""Writes a data set in formats that other programs read: pictures, and the true outlines beside them.

`exported_clips` reads the recordings; `mot_export`, `yolo_export`, `coco_export` and `image_folder_export` write one
format each, and `formats` lists them. `metadata_files` writes a data card and Croissant metadata beside every one.

In the environment of the peers, `datumaro_conversion` goes on from there to what labelling tools speak, and
`fiftyone_view` shows results.
"""
