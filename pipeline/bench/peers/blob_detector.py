"""Blobs by OpenCV's SimpleBlobDetector: connected regions at several thresholds that stay round and in one place."""

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
    blur_px: Annotated[float, SearchRange(1.0, 6.0)] = 2.0,
    bright: Annotated[int, SearchRange(0, 1)] = 0,
    threshold_step: Annotated[float, SearchRange(3.0, 20.0)] = 8.0,
    smallest_px: Annotated[float, SearchRange(4.0, 20.0)] = 8.0,
    largest_px: Annotated[float, SearchRange(20.0, 70.0)] = 40.0,
    circularity: Annotated[float, SearchRange(0.2, 0.9)] = 0.5,
    convexity: Annotated[float, SearchRange(0.4, 0.95)] = 0.7,
    repeats: Annotated[int, SearchRange(1, 4)] = 2,
) -> list[dict[str, object]]:
    """The blobs in a frame, as circles. Lengths are px of the frame scaled to a height of 256 px.

    bright : 1 for blobs brighter than what is around them, 0 for darker ones
    smallest_px, largest_px : radius;  circularity, convexity : least value, as OpenCV defines them
    repeats : thresholds, threshold_step grey levels apart, at which a blob must be there
    """
    picture, factor = smoothed(frame, blur_px)
    parameters = cv2.SimpleBlobDetector.Params()
    parameters.minThreshold, parameters.maxThreshold, parameters.thresholdStep = 5.0, 250.0, threshold_step
    parameters.filterByColor, parameters.blobColor = True, 255 if bright else 0
    parameters.filterByArea = True
    parameters.minArea, parameters.maxArea = float(np.pi * smallest_px**2), float(np.pi * largest_px**2)
    parameters.filterByCircularity, parameters.minCircularity = True, circularity
    parameters.filterByConvexity, parameters.minConvexity = True, convexity
    parameters.filterByInertia = False
    parameters.minRepeatability = repeats
    parameters.minDistBetweenBlobs = smallest_px
    # The detector states no confidence of a blob.
    return [
        circle_outline(blob.pt[0], blob.pt[1], blob.size / 2, 1.0, factor)
        for blob in cv2.SimpleBlobDetector.create(parameters).detect(picture)
        if blob.size > 0
    ]
