"""Methods of anybody's, as functions that take a frame or a clip and return outlines.

`method` loads one by its name, `usable_clips` reads the frames of a data set that it is given, `run_method` collects
its answers as COCO results, and `tuning` chooses its settings on frames with ground truth.
"""
