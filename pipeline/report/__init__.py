"""Findings to files: result, sheet on screen and paper, tables, plots, COCO and MOTChallenge exports.

``files.write_exam_files`` puts the files of one exam in their folder, ``files.write_overview_files`` those over all exams;
``summary.summarise`` makes what of an exam to keep for the latter. Each other module makes one
file.
"""
