"""Circles by OpenCV's Hough transform (Yuen et al., Image and Vision Computing 8:71, 1990, from memory)."""

from __future__ import annotations

from typing import Annotated

import cv2
import numpy as np
from numpy.typing import NDArray

from pipeline.bench.methods.method import SearchRange
from pipeline.bench.peers.smoothed import circle_outline, smoothed

__all__ = ["find"]


def find(
    frame: NDArray[np.uint8],
    *,
    blur_px: Annotated[float, SearchRange(1.0, 5.0)] = 2.0,
    edge_threshold: Annotated[float, SearchRange(20.0, 300.0, logarithmic=True)] = 100.0,
    votes: Annotated[float, SearchRange(8.0, 60.0, logarithmic=True)] = 20.0,
    smallest_px: Annotated[int, SearchRange(4, 20)] = 8,
    largest_px: Annotated[int, SearchRange(20, 70)] = 40,
    apart_px: Annotated[int, SearchRange(6, 40)] = 16,
) -> list[dict[str, object]]:
    """The circles in a frame, in the order of their votes. Lengths are px of the frame scaled to a height of 256 px.

    edge_threshold : of Canny's edges;  votes : least number for a circle
    smallest_px, largest_px : radius;  apart_px : least distance of two centres
    """
    picture, factor = smoothed(frame, blur_px)
    circles = cv2.HoughCirclesWithAccumulator(
        picture,
        cv2.HOUGH_GRADIENT,
        dp=1.0,
        minDist=apart_px,
        param1=edge_threshold,
        param2=votes,
        minRadius=smallest_px,
        maxRadius=largest_px,
    )
    rows = np.zeros((0, 4)) if circles is None else np.asarray(circles, dtype=np.float64).reshape(-1, 4)
    # Every circle counts, so scores are from a half to one, and rise with the votes.
    return [
        circle_outline(x, y, radius, 1.0 - 0.5 * votes / max(number, votes), factor)
        for x, y, radius, number in rows.tolist()
        if radius > 0
    ]
