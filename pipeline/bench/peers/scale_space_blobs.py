"""Blobs by scikit-image: extrema of the Laplacian of Gaussian over place and scale (``skimage.feature.blob_log``)."""

from __future__ import annotations

from typing import Annotated

import numpy as np
from numpy.typing import NDArray

from pipeline.bench.methods.method import MethodError, SearchRange
from pipeline.bench.peers.smoothed import circle_outline, smoothed

__all__ = ["find"]

_HEIGHT_PX = 128  # half of what the other peers see, since the time rises with the cube of it
_SCALES = 8  # between the smallest and the largest radius; common practice, no source


def find(
    frame: NDArray[np.uint8],
    *,
    blur_px: Annotated[float, SearchRange(0.5, 2.0)] = 1.0,
    bright: Annotated[int, SearchRange(0, 1)] = 0,
    contrast: Annotated[float, SearchRange(0.02, 0.5, logarithmic=True)] = 0.15,
    smallest_px: Annotated[float, SearchRange(2.0, 10.0)] = 4.0,
    largest_px: Annotated[float, SearchRange(10.0, 35.0)] = 20.0,
    overlap: Annotated[float, SearchRange(0.0, 0.8)] = 0.3,
) -> list[dict[str, object]]:
    """The blobs in a frame, as circles. Lengths are px of the frame scaled to a height of 128 px.

    bright : 1 for blobs brighter than what is around them, 0 for darker ones
    contrast : least response;  smallest_px, largest_px : radius;  overlap : of two blobs, from which the weaker goes

    Raises MethodError if scikit-image is not installed.
    """
    try:
        from skimage.feature import blob_log
    except ImportError as error:
        raise MethodError(f"scikit-image is missing ({error}). Run: pip install 'clutchlight[peers]'") from error

    picture, factor = smoothed(frame, blur_px, height_px=_HEIGHT_PX)
    share = picture / 255.0 if bright else 1.0 - picture / 255.0
    # A disc with the radius r answers most at the scale r / sqrt(2), as the manual of blob_log says.
    blobs = blob_log(
        share,
        min_sigma=smallest_px / np.sqrt(2),
        max_sigma=largest_px / np.sqrt(2),
        num_sigma=_SCALES,
        threshold=contrast,
        overlap=overlap,
    )
    # The function states no confidence of a blob.
    return [circle_outline(x, y, sigma * np.sqrt(2), 1.0, factor) for y, x, sigma in blobs.tolist()]
