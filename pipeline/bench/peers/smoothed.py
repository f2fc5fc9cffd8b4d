"""The picture that classical methods work on: of one height, with its speckle smoothed."""

from __future__ import annotations

import cv2
import numpy as np
from numpy.typing import NDArray

__all__ = ["circle_outline", "ellipse_outline", "smoothed"]

_NETWORK_HEIGHT_PX = (
    256  # as high as the input of the network; the methods are then as fast on large frames as on small ones
)


def smoothed(
    frame: NDArray[np.uint8], blur_px: float, *, height_px: int = _NETWORK_HEIGHT_PX
) -> tuple[NDArray[np.uint8], float]:
    """The frame scaled to this height and blurred by a Gaussian, and px of the frame per px of it.

    blur_px : standard deviation, in px of the result
    """
    factor = frame.shape[0] / height_px
    width = max(1, round(frame.shape[1] / factor))
    picture = cv2.resize(frame, (width, height_px), interpolation=cv2.INTER_AREA)
    return np.asarray(cv2.GaussianBlur(picture, (0, 0), blur_px)), factor


def circle_outline(x: float, y: float, radius: float, score: float, factor: float) -> dict[str, object]:
    """A circle in such a picture as an outline in the frame. factor : px of the frame per px of the picture"""
    return ellipse_outline(np.array([x, y, radius, radius, 0.0]), score, factor)


def ellipse_outline(ellipse: NDArray[np.float64], score: float, factor: float) -> dict[str, object]:
    """An ellipse (5,) in such a picture likewise."""
    # Pixel centres are at whole numbers, so the edge of the picture is at -0.5.
    centre, axes = (ellipse[:2] + 0.5) * factor - 0.5, ellipse[2:4] * factor
    return {"ellipse": [*centre.tolist(), *axes.tolist(), float(ellipse[4])], "score": score}
