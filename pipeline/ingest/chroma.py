"""The colour of a picture, subsampled so coarsely that it costs almost nothing."""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray

from pipeline.ingest.frame import CHROMA_STEP, Chroma

__all__ = ["chroma_from_rgb", "sample_count", "subsample"]


def sample_count(length_px: int) -> int:
    """The number of chroma samples along a line of ``length_px`` pixels."""
    return -(-length_px // CHROMA_STEP)


def subsample(pixels: NDArray[Any]) -> NDArray[Any]:
    """Every fourth pixel of every fourth row of (H, W, ...) pixels."""
    return pixels[::CHROMA_STEP, ::CHROMA_STEP]


def chroma_from_rgb(rgb: NDArray[np.uint8]) -> Chroma:
    """The chroma of an (H, W, 3) picture in red, green and blue."""
    import cv2  # slow to import, and a night with nothing new needs none

    ycrcb = cv2.cvtColor(np.ascontiguousarray(subsample(rgb)), cv2.COLOR_RGB2YCrCb)
    return np.ascontiguousarray(ycrcb[..., 2:0:-1])
