"""Frames to detections: the sector is cut out, scaled to the network's input, and its answers put back."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

__all__ = ["Detections"]


@dataclass(frozen=True)
class Detections:
    """What was found in one frame, surest first.

    frame : index from 0 in decoding order
    ellipses : (N, 5) float64, [cx, cy, semi-major, semi-minor, degrees] in px of the source frame
    depths_px : (N,) float64, from the probe's face to the centre, along the beam
    stage_probabilities : (N, 3) float64, follicle, thin-shelled, calcified; rows sum to 1
    scores : (N,) float64 in [0, 1]
    """

    frame: int
    ellipses: NDArray[np.float64]
    depths_px: NDArray[np.float64]
    stage_probabilities: NDArray[np.float64]
    scores: NDArray[np.float64]
