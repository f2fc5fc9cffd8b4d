"""The ellipse of an outline that is given as polygons, as a mask, or only as a box.

Polygons and masks become the ellipse with the same centre and the same second moments of area. A filled ellipse with
the semi-axes a and b has the variances a^2 / 4 and b^2 / 4 along its axes, so an ellipse drawn as a polygon or a mask
comes back as it was.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

import numpy as np
from numpy.typing import NDArray

from models.ellipse import canonical

__all__ = ["ellipse_of_box", "ellipse_of_mask", "ellipse_of_polygons", "ellipse_of_segmentation"]

Floats = NDArray[np.float64]


def ellipse_of_box(box: Sequence[float]) -> Floats:
    """(5,) the upright ellipse that fills a box, left, top, width, height. Its box is the given one."""
    left, top, width, height = box
    return np.asarray(canonical([left + width / 2, top + height / 2, width / 2, height / 2, 0.0])[0])


def ellipse_of_segmentation(segmentation: Any) -> Floats:
    """(5,) of COCO's ``segmentation``: a list of polygons [x1, y1, x2, y2, ...], or run lengths of a mask.

    Raises ValueError if it has no area, or is neither.
    """
    if isinstance(segmentation, Mapping):
        return ellipse_of_mask(_decoded(segmentation))
    return ellipse_of_polygons([np.asarray(each, dtype=np.float64).reshape(-1, 2) for each in segmentation])


def ellipse_of_polygons(polygons: Sequence[Floats]) -> Floats:
    """(5,) of one object in one or more parts that do not overlap, each (P, 2) corners, in either direction.

    The moments are line integrals along the outline (Green's theorem). Raises ValueError without an area.
    """
    moments = sum((_moments(polygon) for polygon in polygons), np.zeros(6))
    return _ellipse_of_moments(moments)


def ellipse_of_mask(mask: NDArray[np.uint8]) -> Floats:
    """(5,) of the pixels of a mask (H, W) that are not zero. Raises ValueError if all are."""
    y, x = (axis.astype(np.float64) for axis in np.nonzero(mask))
    # A pixel is a square with sides of 1, not a point.
    own = len(x) / 12
    return _ellipse_of_moments(
        np.array([len(x), x.sum(), y.sum(), (x * x).sum() + own, (y * y).sum() + own, (x * y).sum()])
    )


def _moments(polygon: Floats) -> Floats:
    """(6,) the integrals of 1, x, y, x^2, y^2 and x y over a polygon."""
    x, y = polygon[:, 0], polygon[:, 1]
    following_x, following_y = np.roll(x, -1), np.roll(y, -1)
    cross = x * following_y - following_x * y
    integrals = np.array(
        [
            cross.sum() / 2,
            ((x + following_x) * cross).sum() / 6,
            ((y + following_y) * cross).sum() / 6,
            ((x * x + x * following_x + following_x**2) * cross).sum() / 12,
            ((y * y + y * following_y + following_y**2) * cross).sum() / 12,
            ((x * following_y + 2 * x * y + 2 * following_x * following_y + following_x * y) * cross).sum() / 24,
        ]
    )
    return np.asarray(integrals * np.sign(integrals[0]))


def _ellipse_of_moments(moments: Floats) -> Floats:
    area = moments[0]
    if not area > 0:
        raise ValueError("the outline has no area")
    cx, cy = moments[1:3] / area
    xx, yy, xy = moments[3] / area - cx * cx, moments[4] / area - cy * cy, moments[5] / area - cx * cy
    variances, directions = np.linalg.eigh(np.array([[xx, xy], [xy, yy]]))
    if not variances[0] > 0:
        raise ValueError("the outline has no area")
    major = directions[:, 1]
    degrees = np.rad2deg(np.arctan2(major[1], major[0]))
    return np.asarray(canonical([cx, cy, 2 * np.sqrt(variances[1]), 2 * np.sqrt(variances[0]), degrees])[0])


def _decoded(run_lengths: Mapping[str, Any]) -> NDArray[np.uint8]:
    """The mask of COCO's run lengths, compressed (text) or not (a list of numbers).

    The runs go down the columns and begin with zeros. pycocotools decodes them with a warning of NumPy 2, so not here.
    """
    height, width = run_lengths["size"]
    counts = run_lengths["counts"]
    runs = counts if isinstance(counts, list) else _uncompressed(counts)
    pixels = np.repeat(np.arange(len(runs)) % 2, runs).astype(np.uint8)
    return pixels.reshape(width, height).T


def _uncompressed(text: str | bytes) -> list[int]:
    """The runs in COCO's text: five bits a character, lowest first, of differences to the run before the last one
    (``rleFrString`` of cocoapi).
    """
    runs: list[int] = []
    value = shift = 0
    for character in text.encode("ascii") if isinstance(text, str) else text:
        bits = character - 48
        value |= (bits & 31) << shift
        shift += 5
        if bits & 32:  # the number goes on
            continue
        if bits & 16:  # it is negative
            value -= 1 << shift
        runs.append(value + runs[-2] if len(runs) > 2 else value)
        value = shift = 0
    return runs
