"""Findings to files: result, sheet, tables, plots, COCO and MOTChallenge exports."""
