"""Ellipses to test with, and how far two of them lie apart."""

from __future__ import annotations

import numpy as np
from hypothesis import settings
from hypothesis import strategies as st
from numpy.typing import ArrayLike, NDArray

__all__ = ["Rows", "assert_same_outlines", "distance", "ellipses", "repeatably", "support"]

Rows = NDArray[np.float64]

# Random tests see the same cases on every run.
repeatably = settings(max_examples=80, deadline=None, derandomize=True)


@st.composite
def ellipses(
    draw: st.DrawFn, *, reach: float = 200.0, least: float = 1.0, greatest: float = 100.0, slimmest: float = 8.0
) -> Rows:
    """(5,) an ellipse in the form that the project promises, its minor semi-axis from least to greatest."""
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
    """(M,) how far an ellipse reaches along each of (M,) directions in radians, measured from the origin."""
    cx, cy, a, b, degrees = np.asarray(ellipse, dtype=np.float64)
    turned = directions - np.deg2rad(degrees)
    reach = np.hypot(a * np.cos(turned), b * np.sin(turned))
    return np.asarray(cx * np.cos(directions) + cy * np.sin(directions) + reach)


def distance(first: ArrayLike, second: ArrayLike) -> float:
    """The Hausdorff distance of two ellipses, in their unit.

    For convex sets it is the greatest difference of how far they reach in one direction, so that neither the angle
    of a circle nor the order of equal axes plays a part (Schneider, Convex Bodies, section 1.8).
    """
    directions = np.arange(360) * (2 * np.pi / 360)
    return float(np.abs(support(first, directions) - support(second, directions)).max())


def assert_same_outlines(found: Rows, expected: Rows, *, tolerance: float) -> None:
    """Every expected ellipse (M, 5) is among the found ones (N, 5), to the tolerance, and nothing else is."""
    assert len(found) == len(expected), f"found {found.tolist()}, expected {expected.tolist()}"
    free = list(range(len(found)))
    for row in expected:
        apart = [distance(found[index], row) for index in free]
        nearest = int(np.argmin(apart))
        assert apart[nearest] <= tolerance, f"{row.tolist()} was found as {found[free[nearest]].tolist()}"
        del free[nearest]
