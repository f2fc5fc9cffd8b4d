"""A convex probe's fan: the ring segment between two straight sides, fitted to a region of echoes.

Coordinates are pixels, x to the right, y down, pixel centres at whole numbers; angles are radians from
straight down, positive to the right.
"""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

__all__ = ["Fan", "fit_fan"]

# Bounds on a fan's opening, in degrees: less is a rectangle, more no probe shows.
NARROWEST, WIDEST = 8.0, 160.0
# A fan hangs straight down; one that leans by more than this share of its opening is a crop's or a shadow's.
LEANING = 0.15
# Shares that accept a fan: of the region that it must hold, and of itself, inside the picture, that the
# region must fill. Shadows and fading may leave much of a fan dark.
HOLDS, FILLED = 0.95, 0.5
DIRECTIONS = 30


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
        y, x = np.mgrid[:height, :width]
        radius, angle = _polar(x, y, self.apex_xy)
        inside = (radius >= self.inner_radius_px) & (radius <= self.outer_radius_px)
        return np.asarray(inside & (angle >= self.left) & (angle <= self.right))

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


def _polar(
    x: NDArray[np.generic], y: NDArray[np.generic], apex: tuple[float, float]
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    across = np.asarray(x, dtype=np.float64) - apex[0]
    down = np.asarray(y, dtype=np.float64) - apex[1]
    return np.hypot(across, down), np.arctan2(across, down)


def fit_fan(region: NDArray[np.uint8]) -> Fan | None:
    """The fan whose echoes fill ``region`` (H, W), non-zero inside; None if no fan explains it.

    The convex hull of a fan has one long straight edge on each side. Their lines meet in the apex; the radii
    follow from how near and how far from it the region reaches, direction by direction.
    """
    contours, _ = cv2.findContours(region, cv2.RETR_EXTERNAL, cv2.CHAIN_APPROX_NONE)
    outline = np.vstack(contours).reshape(-1, 2).astype(np.float64)
    left, right = _side(outline, region.shape, -1), _side(outline, region.shape, +1)
    if left is None or right is None:
        return None
    apex = _meeting(left, right)
    if apex is None:
        return None
    (_, left_angle), (_, right_angle) = left, right
    opening, leaning = np.degrees(right_angle - left_angle), np.degrees(right_angle + left_angle) / 2
    if not NARROWEST <= opening <= WIDEST or abs(leaning) > LEANING * opening:
        return None
    radii = _radii(region, apex, left_angle, right_angle)
    if radii is None:
        return None
    fan = Fan(apex, *radii, left_angle, right_angle)
    inside = fan.mask(*region.shape)
    common = np.count_nonzero(inside & (region > 0))
    holds = common >= HOLDS * np.count_nonzero(region)
    return fan if holds and common >= FILLED * np.count_nonzero(inside) else None


Line = tuple[NDArray[np.float64], float]  # a point (2,), and the direction downward in radians


def _side(outline: NDArray[np.float64], shape: tuple[int, ...], sign: int) -> Line | None:
    """The straight side of the outline, left (sign -1) or right (+1), that is no border of the picture."""
    height, width = shape
    hull = cv2.convexHull(outline.astype(np.float32)).reshape(-1, 2)
    corners = cv2.approxPolyDP(hull.reshape(-1, 1, 2), 0.008 * max(shape), True).reshape(-1, 2)
    best: tuple[float, NDArray[np.float64], NDArray[np.float64]] | None = None
    for start, end in zip(corners, np.roll(corners, -1, axis=0), strict=True):
        upper, lower = (start, end) if start[1] <= end[1] else (end, start)
        along = (lower - upper).astype(np.float64)
        length = float(np.hypot(*along))
        # The side faces outward and, since a fan widens downward, not down: that is the outer arc.
        is_side = sign * along[0] >= -0.02 * length and along[1] >= 0.35 * length
        faces = np.sign((upper[0] + lower[0]) / 2 - outline[:, 0].mean()) == sign
        at_border = max(upper[0], lower[0]) < 2 if sign < 0 else min(upper[0], lower[0]) > width - 3
        if is_side and faces and not at_border and (best is None or length > best[0]):
            best = length, upper.astype(np.float64), lower.astype(np.float64)
    if best is None or best[0] < 0.15 * height:
        return None
    length, upper, lower = best
    along = (lower - upper) / length
    normal = np.array([-along[1], along[0]])
    offsets = outline - upper
    near = (abs(offsets @ normal) < 0.01 * max(shape)) & (offsets @ along > 0) & (offsets @ along < length)
    if np.count_nonzero(near) < 10:
        return upper, float(np.arctan2(along[0], along[1]))
    # The hull touches only the outermost speckles; a line through all of them tells the direction better.
    dx, dy, px, py = cv2.fitLine(outline[near].astype(np.float32), cv2.DIST_HUBER, 0, 0.01, 0.01).ravel()
    dx, dy = (dx, dy) if dy >= 0 else (-dx, -dy)
    return np.array([px, py], dtype=np.float64), float(np.arctan2(dx, dy))


def _meeting(left: Line, right: Line) -> tuple[float, float] | None:
    (p, a), (q, b) = left, right
    towards = np.array([[np.sin(a), -np.sin(b)], [np.cos(a), -np.cos(b)]])
    if abs(np.linalg.det(towards)) < 1e-6:
        return None
    t, _ = np.linalg.solve(towards, q - p)
    x, y = p + t * towards[:, 0]
    return float(x), float(y)


def _radii(
    region: NDArray[np.uint8], apex: tuple[float, float], left: float, right: float
) -> tuple[float, float] | None:
    """Inner and outer radius, px: how near to the apex and how far the region reaches, by direction."""
    y, x = np.nonzero(region)
    radius, angle = _polar(x, y, apex)
    direction = np.floor((angle - left) / (right - left) * DIRECTIONS).astype(int)
    between = (direction >= 0) & (direction < DIRECTIONS)
    nearest, furthest = np.full(DIRECTIONS, np.inf), np.zeros(DIRECTIONS)
    np.minimum.at(nearest, direction[between], radius[between])
    np.maximum.at(furthest, direction[between], radius[between])
    seen = np.isfinite(nearest)
    if not seen.any():
        return None
    # Dark spots at the face only take away, so the probe's face is nearer than most directions show.
    inner = float(np.quantile(nearest[seen], 0.25))
    # Fading and shadows take away from the depth almost everywhere; the furthest echoes tell the end. One
    # direction in thirty may be wrong, where text sticks to the fan.
    return inner, float(np.quantile(furthest[seen], 0.97))
