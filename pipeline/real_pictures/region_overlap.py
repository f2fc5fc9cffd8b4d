"""How well outlines cover a region that people drew, pixel by pixel."""

from __future__ import annotations

from pathlib import Path

import cv2
import numpy as np
from numpy.typing import NDArray

from models.ellipse import contains
from models.errors import ClutchlightError

__all__ = ["RealPicturesError", "read_picture", "region_overlaps"]


class RealPicturesError(ClutchlightError):
    """A folder of real pictures whose truth is missing or does not fit."""


def read_picture(path: Path, flags: int) -> NDArray[np.uint8]:
    """A picture or a mask. flags : as for ``cv2.imread``. Raises RealPicturesError if it cannot be read."""
    picture = cv2.imread(str(path), flags) if path.is_file() else None
    if picture is None:
        raise RealPicturesError(f"{path} is missing or no picture. Copy it again.")
    return np.asarray(picture, dtype=np.uint8)


def region_overlaps(ellipses: NDArray[np.float64], region: NDArray[np.bool_]) -> tuple[NDArray[np.float64], ...]:
    """Intersection over union (N,) and Dice's coefficient (N,) of each of N ellipses with a region (H, W).

    Parts of an ellipse outside the picture do not count.
    """
    height, width = region.shape
    y, x = np.mgrid[:height, :width]
    inside = contains(ellipses, np.column_stack([x.ravel(), y.ravel()]))  # (N, H * W)
    flat = region.ravel()
    both, sizes = (inside & flat).sum(axis=1), inside.sum(axis=1)
    return both / np.maximum(sizes + flat.sum() - both, 1), 2 * both / np.maximum(sizes + flat.sum(), 1)
