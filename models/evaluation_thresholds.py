"""Thresholds that every table of detections shares, so that recall and precision can be compared between tables."""

from __future__ import annotations

__all__ = ["MIN_CONTRAST_SNR", "MIN_OUTLINE_IOU", "SCORE_THRESHOLD"]

# Detections with lower scores are neither right nor wrong; only average precision uses them. At this score the F1 of
# calcified eggs was greatest on phantoms of seeds 100 and 3001.
SCORE_THRESHOLD = 0.5

# Least intersection over union of a detected and a true outline that match; common practice.
MIN_OUTLINE_IOU = 0.5

# From this signal-to-noise ratio on (models.contrast), an object stands out of the speckle around it; common practice.
MIN_CONTRAST_SNR = 3.0
