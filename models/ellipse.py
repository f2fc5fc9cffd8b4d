"""The ellipse used throughout: its representation, and how ellipses are measured, compared and projected.

An ellipse is a row ``[cx, cy, semi_major, semi_minor, degrees]``; many are an (N, 5) float64 array.
x runs to the right and y down, as in a picture; pixel centres are whole numbers. ``degrees`` is the direction of the
major axis, counted from +x towards +y, in [-90, 90). Lengths keep the unit in which they are given.
"""

from __future__ import annotations

import numpy as np
import shapely
from numpy.typing import ArrayLike, NDArray

__all__ = [
    "area",
    "bounding_boxes",
    "canonical",
    "circumference",
    "contains",
    "from_log_matrix",
    "outline",
    "overlap",
    "overlap_at_most",
    "overlapping",
    "project",
    "to_log_matrix",
    "wrap_degrees",
]

Ellipses = NDArray[np.float64]

# Overlaps are computed on polygons with this many corners. The corners are moved outwards so that the area is exact;
# the error of an overlap then stays below 0.001.
_CORNERS = 72


def canonical(ellipses: ArrayLike) -> Ellipses:
    """(N, 5) ellipses with the longer semi-axis first and the direction in [-90, 90)."""
    rows = np.array(ellipses, dtype=np.float64).reshape(-1, 5)
    swap = rows[:, 2] < rows[:, 3]
    rows[swap, 2], rows[swap, 3] = rows[swap, 3], rows[swap, 2]
    rows[swap, 4] += 90.0
    rows[:, 4] = wrap_degrees(rows[:, 4])
    return rows


def wrap_degrees(degrees: NDArray[np.float64]) -> NDArray[np.float64]:
    """The same directions of an axis, in [-90, 90)."""
    wrapped = (degrees + 90.0) % 180.0 - 90.0
    # The remainder of a number just below zero is rounded up to 180.
    return np.where(wrapped >= 90.0, -90.0, wrapped)


def area(ellipses: ArrayLike) -> NDArray[np.float64]:
    """(N,) areas, pi a b."""
    rows = np.asarray(ellipses, dtype=np.float64).reshape(-1, 5)
    return np.asarray(np.pi * rows[:, 2] * rows[:, 3])


def circumference(ellipses: ArrayLike) -> NDArray[np.float64]:
    """(N,) lengths of the outlines, by Ramanujan's second approximation (Q J Pure Appl Math 45:350, 1914).

    It is short by less than 0.05 %.
    """
    rows = np.asarray(ellipses, dtype=np.float64).reshape(-1, 5)
    together = rows[:, 2] + rows[:, 3]
    h = ((rows[:, 2] - rows[:, 3]) / together) ** 2
    return np.asarray(np.pi * together * (1 + 3 * h / (10 + np.sqrt(4 - 3 * h))))


def bounding_boxes(ellipses: ArrayLike) -> NDArray[np.float64]:
    """(N, 4) the smallest axis-aligned box around each ellipse: left, top, width, height."""
    rows = np.asarray(ellipses, dtype=np.float64).reshape(-1, 5)
    angle = np.deg2rad(rows[:, 4])
    half_width = np.hypot(rows[:, 2] * np.cos(angle), rows[:, 3] * np.sin(angle))
    half_height = np.hypot(rows[:, 2] * np.sin(angle), rows[:, 3] * np.cos(angle))
    return np.stack([rows[:, 0] - half_width, rows[:, 1] - half_height, 2 * half_width, 2 * half_height], axis=1)


def outline(ellipses: ArrayLike, corners: int = 48) -> NDArray[np.float64]:
    """(N, corners, 2) points on each ellipse, evenly spaced in the eccentric angle."""
    rows = np.asarray(ellipses, dtype=np.float64).reshape(-1, 5)
    turn = np.arange(corners) * (2 * np.pi / corners)
    angle = np.deg2rad(rows[:, 4])[:, None]
    along, across = rows[:, 2:3] * np.cos(turn), rows[:, 3:4] * np.sin(turn)
    x = rows[:, 0:1] + along * np.cos(angle) - across * np.sin(angle)
    y = rows[:, 1:2] + along * np.sin(angle) + across * np.cos(angle)
    return np.stack([x, y], axis=2)


def contains(ellipses: ArrayLike, points: ArrayLike) -> NDArray[np.bool_]:
    """(N, M) whether each of M points (M, 2) lies inside each of N ellipses, the outline included."""
    rows = np.asarray(ellipses, dtype=np.float64).reshape(-1, 5)
    offset = np.asarray(points, dtype=np.float64).reshape(1, -1, 2) - rows[:, None, :2]
    angle = np.deg2rad(rows[:, 4])[:, None]
    along = offset[..., 0] * np.cos(angle) + offset[..., 1] * np.sin(angle)
    across = offset[..., 1] * np.cos(angle) - offset[..., 0] * np.sin(angle)
    return np.asarray((along / rows[:, 2:3]) ** 2 + (across / rows[:, 3:4]) ** 2 <= 1.0)


def overlap(first: ArrayLike, second: ArrayLike, where: NDArray[np.bool_] | None = None) -> NDArray[np.float64]:
    """(N, M) intersection over union of the areas of N and M ellipses.

    Computed on polygons of 72 corners with the exact area; the error is below 0.001.

    where : (N, M) the pairs to look at, None for all; of the others it is 0
    """
    rows, columns = canonical(first), canonical(second)
    result = np.zeros((len(rows), len(columns)))
    if result.size:
        touching = _upper_bound(rows, columns) > 0
        i, j = np.nonzero(touching if where is None else touching & where)
        if len(i):
            result[i, j] = _overlap_of_pairs(rows[i], columns[j])
    return result


def overlap_at_most(first: ArrayLike, second: ArrayLike) -> NDArray[np.float64]:
    """(N, M) an upper bound of :func:`overlap`, from boxes and areas, and much faster. It may be 0.001 too low."""
    return _upper_bound(canonical(first), canonical(second))


def overlapping(ellipses: ArrayLike, more_than: float) -> NDArray[np.bool_]:
    """(N, N) whether two of N ellipses overlap by more than a given intersection over union; False on the diagonal.

    The same as comparing :func:`overlap`, and much faster: boxes and areas rule out most pairs.
    """
    rows = canonical(ellipses)
    result = np.zeros((len(rows), len(rows)), dtype=np.bool_)
    if len(rows):
        i, j = np.nonzero(np.triu(_upper_bound(rows, rows) > more_than, 1))
        if len(i):
            result[i, j] = _overlap_of_pairs(rows[i], rows[j]) > more_than
    return result | result.T


def _upper_bound(rows: Ellipses, columns: Ellipses) -> NDArray[np.float64]:
    """(N, M) an upper bound of the overlap of N and M ellipses: their intersection is no larger than the smaller one
    and no larger than the intersection of their boxes.
    """
    a, b = bounding_boxes(rows)[:, None], bounding_boxes(columns)[None]
    sides = np.minimum(a[..., :2] + a[..., 2:], b[..., :2] + b[..., 2:]) - np.maximum(a[..., :2], b[..., :2])
    first, second = area(rows)[:, None], area(columns)[None]
    shared = np.minimum(np.clip(sides, 0, None).prod(axis=2), np.minimum(first, second))
    return np.asarray(shared / (first + second - shared))


def _overlap_of_pairs(first: Ellipses, second: Ellipses) -> NDArray[np.float64]:
    shared = shapely.area(shapely.intersection(_polygons(first), _polygons(second)))
    return np.asarray(np.clip(shared / (area(first) + area(second) - shared), 0.0, 1.0))


def _polygons(rows: Ellipses) -> NDArray[np.object_]:
    # A regular polygon in the unit circle has area (n/2) sin(2 pi/n) instead of pi.
    step = 2 * np.pi / _CORNERS
    grown = rows.copy()
    grown[:, 2:4] *= np.sqrt(step / np.sin(step))
    return np.asarray(shapely.polygons(outline(grown, _CORNERS)))


def project(ellipse: ArrayLike, homography: NDArray[np.float64]) -> Ellipses:
    """(5,) the image of an ellipse (5,) under a homography (3, 3): exactly an ellipse as long as it stays finite.

    A conic x' C x = 0 in homogeneous coordinates becomes x' H^-T C H^-1 x = 0 under the map H.
    """
    cx, cy, a, b, degrees = np.asarray(ellipse, dtype=np.float64)
    cosine, sine = np.cos(np.deg2rad(degrees)), np.sin(np.deg2rad(degrees))
    to_unit_circle = np.array(
        [
            [cosine / a, sine / a, -(cosine * cx + sine * cy) / a],
            [-sine / b, cosine / b, (sine * cx - cosine * cy) / b],
            [0.0, 0.0, 1.0],
        ]
    ) @ np.linalg.inv(homography)
    conic = to_unit_circle.T @ np.diag([1.0, 1.0, -1.0]) @ to_unit_circle
    shape, linear = conic[:2, :2], conic[:2, 2]
    centre = -np.linalg.solve(shape, linear)
    values, vectors = np.linalg.eigh(shape / -(conic[2, 2] + linear @ centre))
    # eigh puts the smallest value first; it belongs to the major axis.
    direction = np.rad2deg(np.arctan2(vectors[1, 0], vectors[0, 0]))
    return np.asarray(canonical([*centre, *(1 / np.sqrt(values)), direction])[0])


def to_log_matrix(ellipses: ArrayLike) -> NDArray[np.float64]:
    """(N, 3) the matrix logarithm R diag(log a, log b) R' of each ellipse's shape: xx, yy and xy entries.

    The angle of a nearly round ellipse jumps under small changes. These three numbers do not, so a network can learn
    them (log-Euclidean metric: Arsigny et al., Magn Reson Med 56:411, 2006).
    """
    rows = np.asarray(ellipses, dtype=np.float64).reshape(-1, 5)
    angle, log_a, log_b = np.deg2rad(rows[:, 4]), np.log(rows[:, 2]), np.log(rows[:, 3])
    cosine, sine = np.cos(angle), np.sin(angle)
    return np.stack(
        [
            log_a * cosine**2 + log_b * sine**2,
            log_a * sine**2 + log_b * cosine**2,
            (log_a - log_b) * cosine * sine,
        ],
        axis=1,
    )


def from_log_matrix(centres: ArrayLike, log_matrix: ArrayLike) -> Ellipses:
    """(N, 5) ellipses from (N, 2) centres and the (N, 3) entries of :func:`to_log_matrix`."""
    centres = np.asarray(centres, dtype=np.float64).reshape(-1, 2)
    xx, yy, xy = np.asarray(log_matrix, dtype=np.float64).reshape(-1, 3).T
    mean, difference = (xx + yy) / 2, (xx - yy) / 2
    radius = np.hypot(difference, xy)  # the eigenvalues are mean + radius and mean - radius
    angle = np.rad2deg(np.arctan2(xy, difference)) / 2
    rows = np.stack([centres[:, 0], centres[:, 1], np.exp(mean + radius), np.exp(mean - radius), angle], axis=1)
    return canonical(rows)
