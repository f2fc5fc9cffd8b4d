"""The files for other programs: result.json, COCO, MOTChallenge, tables and DICOM structured reports."""
