"""A convex probe's fan: the ring segment between two straight sides that gathers the most echoes.

Coordinates are pixels, x to the right, y down, pixel centres at whole numbers; angles are radians from
straight down, positive to the right.
"""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

__all__ = ["Fan", "refined_fan", "rough_fan"]

# Sides of the grids, in cells along the picture's longer side, that the search goes through from coarse to fine.
COARSE, MIDDLE = 80, 160
# Half of a fan's opening, in degrees: less is a rectangle, more no probe shows.
NARROWEST, WIDEST = 5.0, 80.0
STEPS = 100  # of half the opening that are told apart
# A fan hangs straight down but for a screen that was filmed askew, in degrees.
LEANING = 4.0
LEANING_COSTS = 0.002  # share of all echoes, a degree
# Share of the picture's height that the probe's face must be away from its border, to be taken for uncropped.
UNCUT = 0.01
OUTSIDE = -0.02  # weight of what lies beyond the picture's borders: a fan may be cropped, and seldom is


@dataclass(frozen=True)
class Fan:
    """apex_xy : px;  radii : px, from the apex;  left, right : radians, the sides' directions."""

    apex_xy: tuple[float, float]
    inner_radius_px: float
    outer_radius_px: float
    left: float
    right: float

    def mask(self, height: int, width: int) -> NDArray[np.bool_]:
        """(H, W), True inside."""
        radius, angle = self._polar(height, width)
        inside = (radius >= self.inner_radius_px) & (radius <= self.outer_radius_px)
        return np.asarray(inside & (angle >= self.left) & (angle <= self.right))

    def beams(self, height: int, width: int) -> tuple[NDArray[np.float32], NDArray[np.float32]]:
        """(H, W) each: where a pixel lies across the fan and how deep, as shares from 0 to 1 within."""
        radius, angle = self._polar(height, width)
        across = (angle - self.left) / (self.right - self.left)
        depth = (radius - self.inner_radius_px) / max(self.outer_radius_px - self.inner_radius_px, 1e-6)
        return across.astype(np.float32), depth.astype(np.float32)

    def shows_its_face(self, height: int, width: int) -> bool:
        """Whether both ends of the probe's face lie well within the picture, and no crop cut them off."""
        x, y = self.apex_xy
        corners = [
            (x + self.inner_radius_px * np.sin(side), y + self.inner_radius_px * np.cos(side))
            for side in (self.left, self.right)
        ]
        edge = UNCUT * height
        return all(edge <= x < width - edge and edge <= y < height - edge for x, y in corners)

    def _polar(self, height: int, width: int) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
        across = np.arange(width) - self.apex_xy[0]
        down = np.arange(height)[:, None] - self.apex_xy[1]
        return np.hypot(across, down), np.arctan2(across, down)

    def magnified(self, across: float, down: float) -> Fan:
        """The same fan on a picture that many times as large; the two factors may differ by rounding only."""
        factor = np.sqrt(across * down)
        apex = float((self.apex_xy[0] + 0.5) * across - 0.5), float((self.apex_xy[1] + 0.5) * down - 0.5)
        return Fan(
            apex,
            float(self.inner_radius_px * factor),
            float(self.outer_radius_px * factor),
            self.left,
            self.right,
        )


def rough_fan(weights: NDArray[np.float32]) -> tuple[Fan, float]:
    """The fan within which ``weights`` (H, W) add up to the most, found on a coarse grid, and that sum.

    From a given apex the picture is a map over radius and angle, in which a fan is a box that is symmetric about the
    fan's axis; the best of all boxes is found exactly, from sums over the map. The apex itself is searched for.
    Symmetry and the arcs tell where a side lies that is lost in shadow.
    """
    coarse, factor = _shrunk(weights, COARSE)
    width = coarse.shape[1]
    lit = coarse.clip(min=0)
    middle = float((lit.sum(axis=0) * np.arange(width)).sum() / max(float(lit.sum()), 1e-9))
    face = float(np.flatnonzero(lit.sum(axis=1) > 0.02 * width)[:1].sum())
    places = [
        (middle + across * width, face - above * COARSE, 0.0)
        for across in np.linspace(-0.12, 0.12, 7)
        for above in (-0.06, 0.0, 0.06, 0.13, 0.21, 0.3, 0.42, 0.6, 0.9, 1.4)
    ]
    best = max((_best_box(coarse, *place, 1) for place in places), key=lambda box: box.sum)
    best = _searched(coarse, best.place, 2.0)
    return best.magnified(factor).fan, best.sum * factor**2


def refined_fan(weights: NDArray[np.float32], rough: Fan) -> tuple[Fan, float]:
    """The same from where ``rough`` is, on ever rings_a_px pictures."""
    middle, factor = _shrunk(weights, MIDDLE)
    x, y = ((centre + 0.5) / factor - 0.5 for centre in rough.apex_xy)
    place = _searched(middle, (x, y, (rough.left + rough.right) / 2), 1.0).magnified(factor).place
    best = _best_box(weights, *place, 2)
    return best.fan, best.sum


def _shrunk(weights: NDArray[np.float32], side: int) -> tuple[NDArray[np.float32], float]:
    """The mean of the weights on a grid, and how many pixels one of its cells is wide."""
    height, width = weights.shape
    factor = max(1.0, max(height, width) / side)
    size = max(1, round(width / factor)), max(1, round(height / factor))
    return np.asarray(cv2.resize(weights, size, interpolation=cv2.INTER_AREA)), factor


@dataclass(frozen=True)
class _Box:
    """A fan and the sum within it, less what its lean costs."""

    x: float
    y: float
    lean: float
    inner: float
    outer: float
    half: float
    sum: float

    @property
    def place(self) -> tuple[float, float, float]:
        return self.x, self.y, self.lean

    @property
    def fan(self) -> Fan:
        return Fan((self.x, self.y), self.inner, self.outer, self.lean - self.half, self.lean + self.half)

    def magnified(self, factor: float) -> _Box:
        x, y = (self.x + 0.5) * factor - 0.5, (self.y + 0.5) * factor - 0.5
        return _Box(x, y, self.lean, self.inner * factor, self.outer * factor, self.half, self.sum)


def _best_box(weights: NDArray[np.float32], x: float, y: float, lean: float, rings_a_px: int) -> _Box:
    """The best fan of all about one apex, its radii to a ring's breadth."""
    height, width = weights.shape
    across = np.arange(width, dtype=np.float32) - np.float32(x)
    down = np.arange(height, dtype=np.float32)[:, None] - np.float32(y)
    radius = np.sqrt(across * across + down * down)
    angle = np.abs(np.arctan2(across, down) - np.float32(lean))
    steps = STEPS * rings_a_px
    widest = np.deg2rad(WIDEST)
    cells = np.minimum(angle * np.float32(steps / widest), steps).astype(np.int32)
    rings = int(radius.max() * rings_a_px) + 1
    index = ((radius * np.float32(rings_a_px)).astype(np.int32) * (steps + 1) + cells).ravel()
    number = rings * (steps + 1)
    # Every cell weighs by its area what lies beyond the picture; its pixels weigh more or less than that.
    sums = np.bincount(index, weights.ravel() - np.float32(OUTSIDE), number).reshape(rings, steps + 1)[:, :steps]
    sums += OUTSIDE * (2 * np.arange(rings)[:, None] + 1) * (widest / steps / rings_a_px**2)
    total = np.zeros((rings + 1, steps))
    np.cumsum(np.cumsum(sums, axis=1), axis=0, out=total[1:])
    gained = total - np.minimum.accumulate(total, axis=0)
    first = int(steps * NARROWEST / WIDEST)
    outer, half = np.unravel_index(int(gained[:, first:].argmax()), gained[:, first:].shape)
    half += first
    inner = int(total[: outer + 1, half].argmin())
    cost = LEANING_COSTS * abs(np.rad2deg(lean)) * float(weights.clip(min=0).sum())
    return _Box(
        x,
        y,
        lean,
        inner / rings_a_px,
        float(outer) / rings_a_px,
        float((half + 1) * widest / steps),
        float(gained[outer, half]) - cost,
    )


def _searched(weights: NDArray[np.float32], place: tuple[float, float, float], step: float) -> _Box:
    """The best fan with its apex near a place: the apex is moved by steps that are halved where none of them helps."""
    best = _best_box(weights, *place, 1)
    lean = np.deg2rad(1.0)
    while step >= 0.25:
        x, y, leaning = best.place
        tried = [
            (x - step, y, leaning),
            (x + step, y, leaning),
            (x, y - 2 * step, leaning),
            (x, y + 2 * step, leaning),
            (x, y, leaning - lean),
            (x, y, leaning + lean),
        ]
        better = max(
            (_best_box(weights, *near, 1) for near in tried if abs(np.rad2deg(near[2])) <= LEANING),
            key=lambda box: box.sum,
        )
        if better.sum > best.sum:
            best = better
        else:
            step, lean = step / 2, lean / 2
    return best
