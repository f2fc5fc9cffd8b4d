"""The one ellipse: what it is, how it is fitted, measured and compared.

An ellipse is a row ``[cx, cy, semi_major, semi_minor, degrees]``; many are an (N, 5) float64 array.
x runs to the right and y down, as in a picture, pixel centres at whole numbers. ``degrees`` is the
direction of the major axis, counted from +x towards +y, in [-90, 90). Lengths keep the unit they came in.
"""

from __future__ import annotations

import numpy as np
import shapely
from numpy.typing import ArrayLike, NDArray

__all__ = [
    "area",
    "bounding_boxes",
    "canonical",
    "contains",
    "fit",
    "from_log_matrix",
    "outline",
    "overlap",
    "overlapping",
    "perimeter",
    "to_log_matrix",
]

Ellipses = NDArray[np.float64]

# Polygons of this many corners stand in for ellipses where areas are compared; with the corners moved out
# to keep the area exact, the error of an overlap stays below 0.001.
_CORNERS = 72


def canonical(ellipses: ArrayLike) -> Ellipses:
    """(N, 5) ellipses with the longer semi-axis first and the direction in [-90, 90)."""
    rows = np.array(ellipses, dtype=np.float64).reshape(-1, 5)
    swap = rows[:, 2] < rows[:, 3]
    rows[swap, 2], rows[swap, 3] = rows[swap, 3], rows[swap, 2]
    rows[swap, 4] += 90.0
    rows[:, 4] = (rows[:, 4] + 90.0) % 180.0 - 90.0
    rows[rows[:, 4] >= 90.0, 4] = -90.0  # the remainder of a number just below zero is rounded up to 180
    return rows


def area(ellipses: ArrayLike) -> NDArray[np.float64]:
    """(N,) areas, pi a b."""
    rows = np.asarray(ellipses, dtype=np.float64).reshape(-1, 5)
    return np.asarray(np.pi * rows[:, 2] * rows[:, 3])


def perimeter(ellipses: ArrayLike) -> NDArray[np.float64]:
    """(N,) perimeters by Ramanujan's second formula (Modular equations and approximations to pi, 1914).

    Its relative error is below 1e-6 up to an axis ratio of 3, and below 4.1e-4 for any ellipse.
    """
    rows = np.asarray(ellipses, dtype=np.float64).reshape(-1, 5)
    a, b = rows[:, 2], rows[:, 3]
    h = ((a - b) / (a + b)) ** 2
    return np.asarray(np.pi * (a + b) * (1 + 3 * h / (10 + np.sqrt(4 - 3 * h))))


def bounding_boxes(ellipses: ArrayLike) -> NDArray[np.float64]:
    """(N, 4) upright boxes that just hold each ellipse: left, top, width, height."""
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
    """(N, M) whether each of M points (M, 2) lies inside each of N ellipses."""
    rows = np.asarray(ellipses, dtype=np.float64).reshape(-1, 5)
    offset = np.asarray(points, dtype=np.float64).reshape(1, -1, 2) - rows[:, None, :2]
    angle = np.deg2rad(rows[:, 4])[:, None]
    along = offset[..., 0] * np.cos(angle) + offset[..., 1] * np.sin(angle)
    across = offset[..., 1] * np.cos(angle) - offset[..., 0] * np.sin(angle)
    return np.asarray((along / rows[:, 2:3]) ** 2 + (across / rows[:, 3:4]) ** 2 <= 1.0)


def overlap(first: ArrayLike, second: ArrayLike) -> NDArray[np.float64]:
    """(N, M) intersection over union of the areas of N and M ellipses.

    Taken over area-true polygons with 72 corners; the error is below 0.001.
    """
    rows, columns = canonical(first), canonical(second)
    result = np.zeros((len(rows), len(columns)))
    if result.size:
        i, j = np.nonzero(_greatest_overlap(rows, columns) > 0)
        result[i, j] = _overlap_of_pairs(rows[i], columns[j])
    return result


def overlapping(ellipses: ArrayLike, more_than: float) -> NDArray[np.bool_]:
    """(N, N) whether two of N ellipses overlap by more than a given intersection over union, false for itself.

    As :func:`overlap` says it, and far quicker, since most pairs are told apart by their boxes and areas.
    """
    rows = canonical(ellipses)
    result = np.zeros((len(rows), len(rows)), dtype=np.bool_)
    if len(rows):
        i, j = np.nonzero(np.triu(_greatest_overlap(rows, rows) > more_than, 1))
        result[i, j] = _overlap_of_pairs(rows[i], rows[j]) > more_than
    return result | result.T


def _greatest_overlap(rows: Ellipses, columns: Ellipses) -> NDArray[np.float64]:
    """(N, M) what the overlap of N and M ellipses cannot exceed: they share no more than the smaller one's area and
    no more than their boxes do.
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


def fit(points: ArrayLike) -> Ellipses | None:
    """(5,) the ellipse that fits (N, 2) points best in the algebraic sense, or None if none does.

    The direct least-squares fit of Fitzgibbon, Pilu and Fisher (IEEE PAMI 21:476, 1999) in the stable form of
    Halir and Flusser (WSCG 1998): minimise the algebraic distance under 4ac - b^2 = 1, which admits nothing
    but ellipses. That distance does not change under affine maps but its rounding does, so the points are turned
    and stretched to unit spread along both of their principal axes first. None for fewer than five points, points
    on a line, and points that no ellipse fits better than a parabola.
    """
    points = np.asarray(points, dtype=np.float64).reshape(-1, 2)
    if len(points) < 5:
        return None
    middle = points.mean(axis=0)
    _, lengths, axes = np.linalg.svd(points - middle, full_matrices=False)
    if lengths[1] <= 1e-9 * lengths[0]:
        return None
    lengths = lengths / np.sqrt(len(points))
    x, y = ((points - middle) @ axes.T / lengths).T
    quadratic = np.stack([x * x, x * y, y * y], axis=1)
    linear = np.stack([x, y, np.ones_like(x)], axis=1)
    scatter = quadratic.T @ linear
    back = -np.linalg.solve(linear.T @ linear, scatter.T)
    reduced = quadratic.T @ quadratic + scatter @ back
    constrained = np.stack([reduced[2] / 2, -reduced[1], reduced[0] / 2])
    _, vectors = np.linalg.eig(constrained)
    vectors = np.real(vectors)
    good = np.flatnonzero(4 * vectors[0] * vectors[2] - vectors[1] ** 2 > 1e-9)
    if not len(good):
        return None
    a, b, c, d, e, f = np.concatenate([vectors[:, good[0]], back @ vectors[:, good[0]]])
    matrix = np.array([[a, b / 2], [b / 2, c]])
    centre = np.linalg.solve(-2 * matrix, [d, e])
    values, vectors = np.linalg.eigh(matrix / (centre @ matrix @ centre - f))
    # The outline is the unit circle under a linear map; the map's singular values are the semi-axes.
    directions, semi, _ = np.linalg.svd((axes.T * lengths) @ (vectors / np.sqrt(values)))
    angle = np.rad2deg(np.arctan2(directions[1, 0], directions[0, 0]))
    return np.asarray(canonical([*(middle + (centre * lengths) @ axes), *semi, angle])[0])


def to_log_matrix(ellipses: ArrayLike) -> NDArray[np.float64]:
    """(N, 3) the matrix logarithm R diag(log a, log b) R' of each ellipse's shape: xx, yy and xy entries.

    The angle of a nearly round ellipse jumps; these three numbers do not, so a network can learn them
    (log-Euclidean metric: Arsigny et al., Magn Reson Med 56:411, 2006).
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
    """(N, 5) ellipses of (N, 2) centres and the (N, 3) entries that :func:`to_log_matrix` makes."""
    centres = np.asarray(centres, dtype=np.float64).reshape(-1, 2)
    xx, yy, xy = np.asarray(log_matrix, dtype=np.float64).reshape(-1, 3).T
    mean, difference = (xx + yy) / 2, (xx - yy) / 2
    spread = np.hypot(difference, xy)
    angle = np.rad2deg(np.arctan2(xy, difference)) / 2
    rows = np.stack([centres[:, 0], centres[:, 1], np.exp(mean + spread), np.exp(mean - spread), angle], axis=1)
    return canonical(rows)
