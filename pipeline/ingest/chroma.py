"""The colours of a picture beside its brightness, so coarse that they cost next to nothing."""

from __future__ import annotations

from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from pipeline.ingest.frame import CHROMA_STEP, Chroma

__all__ = ["chroma_from_rgb", "sample_count", "subsample"]


def sample_count(length_px: int) -> int:
    """How many samples lie along so many pixels."""
    return -(-length_px // CHROMA_STEP)


def subsample(pixels: NDArray[Any]) -> NDArray[Any]:
    """Every fourth pixel of every fourth row of (H, W, ...) pixels."""
    return pixels[::CHROMA_STEP, ::CHROMA_STEP]


def chroma_from_rgb(rgb: NDArray[np.uint8]) -> Chroma:
    """Of (H, W, 3) red, green and blue."""
    coded = cv2.cvtColor(np.ascontiguousarray(subsample(rgb)), cv2.COLOR_RGB2YCrCb)
    return np.ascontiguousarray(coded[..., 2:0:-1])
