"""Ellipses by edge drawing of OpenCV's contributed modules (EDCircles: Akinlar and Topal, Pattern Recognition 46:725,
2013, from memory).

They are in ``opencv-contrib-python-headless``, which takes the place of the OpenCV that is installed with this program,
so it belongs in an environment of its own.
"""

from __future__ import annotations

from typing import Annotated

import cv2
import numpy as np
from numpy.typing import NDArray

from models.ellipse import area, canonical, overlap
from pipeline.bench.methods.method import MethodError, SearchRange
from pipeline.bench.peers.smoothed import ellipse_outline, smoothed

__all__ = ["find"]


def find(
    frame: NDArray[np.uint8],
    *,
    blur_px: Annotated[float, SearchRange(1.0, 5.0)] = 2.0,
    gradient: Annotated[int, SearchRange(5, 60)] = 20,
    shortest_px: Annotated[int, SearchRange(5, 40)] = 10,
    fit_error_px: Annotated[float, SearchRange(0.8, 4.0)] = 1.3,
    smallest_px: Annotated[float, SearchRange(4.0, 20.0)] = 8.0,
    largest_px: Annotated[float, SearchRange(20.0, 70.0)] = 40.0,
    overlap_share: Annotated[float, SearchRange(0.1, 0.7)] = 0.3,
) -> list[dict[str, object]]:
    """The ellipses in a frame. Lengths are px of the frame scaled to a height of 256 px.

    gradient : least step of an edge;  shortest_px : length of an edge;  fit_error_px : largest error of an ellipse
    smallest_px, largest_px : limits of both semi-axes
    overlap_share : of two that overlap more, such as the inner and outer edge of a wall, the smaller goes

    Raises MethodError without OpenCV's contributed modules.
    """
    contributed = getattr(cv2, "ximgproc", None)
    if contributed is None:
        raise MethodError(
            "This OpenCV has no edge drawing. Run, in an environment of its own: pip install "
            "opencv-contrib-python-headless"
        )
    picture, factor = smoothed(frame, blur_px)
    parameters = contributed.EdgeDrawing.Params()
    parameters.GradientThresholdValue, parameters.MinPathLength = gradient, shortest_px
    parameters.MaxErrorThreshold = fit_error_px
    drawing = contributed.createEdgeDrawing()
    drawing.setParams(parameters)
    drawing.detectEdges(picture)
    found = drawing.detectEllipses()
    rows = np.zeros((0, 6)) if found is None else np.asarray(found, dtype=np.float64).reshape(-1, 6)
    # Centre, radius of a circle or 0, semi-axes of an ellipse or 0, degrees.
    ellipses = canonical(np.column_stack([rows[:, :2], rows[:, 3:5] + rows[:, 2:3], rows[:, 5]]))
    ellipses = ellipses[(ellipses[:, 3] >= smallest_px) & (ellipses[:, 2] <= largest_px)]
    return [ellipse_outline(row, 1.0, factor) for row in _largest_of_nested(ellipses, overlap_share)]


def _largest_of_nested(ellipses: NDArray[np.float64], limit: float) -> list[NDArray[np.float64]]:
    kept: list[NDArray[np.float64]] = []
    for row in ellipses[np.argsort(-area(ellipses), kind="stable")]:
        if not kept or overlap(row, np.array(kept)).max() <= limit:
            kept.append(row)
    return kept
