"""Files for other programs: result.json, COCO, MOTChallenge, probe paths, tables and DICOM structured reports."""
