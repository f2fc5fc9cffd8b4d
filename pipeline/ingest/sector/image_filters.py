"""Local filters of grey pictures and masks, shared by the searches for echoes and for the screen's outline."""

from __future__ import annotations

import cv2
import numpy as np
from numpy.typing import NDArray

__all__ = ["disc_kernel", "exceeds_half_local_mean", "local_std", "without_lines"]

STD_WINDOW_PX = 5  # side of the window of the local standard deviation
# Side in px of the window that holds a pixel's neighbours (common practice, no source). A pixel with half of their
# strength lies half inside.
NEIGHBOURHOOD_PX, HALF_STRENGTH = 7, 0.5
# Shares of the longer side: gaps in speckle are closed up to the first; text and lines are opened up to the second.
# Both are common practice, no source.
GAP_SHARE, LINE_SHARE = 0.0125, 0.025


def local_std(frame: NDArray[np.float32]) -> NDArray[np.float32]:
    """(H, W) standard deviation of (H, W) grey levels within two pixels of each."""
    mean = cv2.blur(frame, (STD_WINDOW_PX, STD_WINDOW_PX))
    mean_square = cv2.blur(frame * frame, (STD_WINDOW_PX, STD_WINDOW_PX))
    return np.asarray(np.sqrt(np.maximum(mean_square - mean * mean, 0.0)))


def exceeds_half_local_mean(strength: NDArray[np.float32], above: NDArray[np.bool_]) -> NDArray[np.bool_]:
    """Of the pixels ``above`` a threshold, those at least half as strong as their neighbours above it.

    A pixel that the border of the sector crosses is lit in proportion to the part of it that lies inside.
    """
    selected = above.astype(np.float32)
    local_sum = cv2.blur(strength * selected, (NEIGHBOURHOOD_PX, NEIGHBOURHOOD_PX))
    local_count = cv2.blur(selected, (NEIGHBOURHOOD_PX, NEIGHBOURHOOD_PX))
    return np.asarray(above & (strength * local_count > HALF_STRENGTH * local_sum))


def without_lines(lit: NDArray[np.bool_] | NDArray[np.uint8]) -> NDArray[np.uint8]:
    """(H, W) uint8, 1 where what is lit remains once gaps are closed and text and lines are removed."""
    side = max(lit.shape)
    margin = side // 10
    inner = np.s_[margin:-margin, margin:-margin]
    # The padding is dark for closing, which must not join echoes with the picture's border, and lit like the border
    # for opening, which must not round a corner that the border cuts off.
    padded = np.pad(lit.astype(np.uint8), margin)
    closed = cv2.morphologyEx(padded, cv2.MORPH_CLOSE, disc_kernel(GAP_SHARE * side))[inner]
    padded = np.pad(closed, margin, mode="edge")
    return np.asarray(cv2.morphologyEx(padded, cv2.MORPH_OPEN, disc_kernel(LINE_SHARE * side))[inner], np.uint8)


def disc_kernel(diameter: float) -> NDArray[np.uint8]:
    """A disc for `cv2.morphologyEx` whose width is an odd number of pixels near ``diameter``."""
    odd = 2 * round(diameter / 2) + 1
    return np.asarray(cv2.getStructuringElement(cv2.MORPH_ELLIPSE, (odd, odd)), dtype=np.uint8)
