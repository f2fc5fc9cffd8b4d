"""Reviewed frames as labels: written as COCO and MOT files, and read back to learn from."""
