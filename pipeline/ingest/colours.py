"""The colours of a picture beside its brightness, so coarse that they cost next to nothing."""

from __future__ import annotations

from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from pipeline.ingest.frame import COLOUR_STEP, Colours

__all__ = ["colours_of_rgb", "sampled", "steps"]


def steps(length_px: int) -> int:
    """How many samples lie along so many pixels."""
    return -(-length_px // COLOUR_STEP)


def sampled(pixels: NDArray[Any]) -> NDArray[Any]:
    """Every fourth pixel of every fourth row of (H, W, ...) pixels."""
    return pixels[::COLOUR_STEP, ::COLOUR_STEP]


def colours_of_rgb(rgb: NDArray[np.uint8]) -> Colours:
    """Of (H, W, 3) red, green and blue."""
    coded = cv2.cvtColor(np.ascontiguousarray(sampled(rgb)), cv2.COLOR_RGB2YCrCb)
    return np.ascontiguousarray(coded[..., 2:0:-1])
