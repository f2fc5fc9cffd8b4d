"""Random ellipses for tests, and the distance of two ellipses."""

from __future__ import annotations

import numpy as np
from hypothesis import settings
from hypothesis import strategies as st
from numpy.typing import ArrayLike, NDArray

__all__ = ["Rows", "assert_same_outlines", "distance", "ellipses", "repeatably", "support"]

Rows = NDArray[np.float64]

# Random tests use the same cases in every run.
repeatably = settings(max_examples=80, deadline=None, derandomize=True)


@st.composite
def ellipses(
    draw: st.DrawFn, *, reach: float = 200.0, least: float = 1.0, greatest: float = 100.0, slimmest: float = 8.0
) -> Rows:
    """(5,) an ellipse in canonical form, its minor semi-axis between least and greatest."""
    minor = draw(st.floats(least, greatest))
    return np.array(
        [
            draw(st.floats(-reach, reach)),
            draw(st.floats(-reach, reach)),
            minor * draw(st.floats(1.0, slimmest)),
            minor,
            draw(st.floats(-90.0, 90.0, exclude_max=True)),
        ]
    )


def support(ellipse: ArrayLike, directions: NDArray[np.floating]) -> Rows:
    """(M,) support function: how far an ellipse reaches from the origin along (M,) directions in radians."""
    cx, cy, a, b, degrees = np.asarray(ellipse, dtype=np.float64)
    turned = directions - np.deg2rad(degrees)
    reach = np.hypot(a * np.cos(turned), b * np.sin(turned))
    return np.asarray(cx * np.cos(directions) + cy * np.sin(directions) + reach)


def distance(first: ArrayLike, second: ArrayLike) -> float:
    """The Hausdorff distance of two ellipses, in their unit.

    For convex sets it is the largest difference of their support functions. So neither the angle of a circle nor the
    order of equal axes matters (Schneider, Convex Bodies, section 1.8).
    """
    directions = np.arange(360) * (2 * np.pi / 360)
    return float(np.abs(support(first, directions) - support(second, directions)).max())


def assert_same_outlines(found: Rows, expected: Rows, *, tolerance: float) -> None:
    """Every expected ellipse (M, 5) is among the found ones (N, 5), to the tolerance, and nothing else is."""
    assert len(found) == len(expected), f"found {found.tolist()}, expected {expected.tolist()}"
    free = list(range(len(found)))
    for row in expected:
        distances = [distance(found[index], row) for index in free]
        nearest = int(np.argmin(distances))
        assert distances[nearest] <= tolerance, f"{row.tolist()} was found as {found[free[nearest]].tolist()}"
        del free[nearest]
