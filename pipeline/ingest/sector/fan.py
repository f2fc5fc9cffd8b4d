"""A convex probe's fan: a ring segment between two straight sides.

Coordinates are pixels, x to the right, y down, pixel centres at whole numbers. Angles are radians from straight down,
positive to the right.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

__all__ = ["Fan", "PlacedFan"]

# Distance of the probe's face from the picture's border, as a share of the height, from which it is not cropped
# (common practice, no source).
FACE_MARGIN_SHARE = 0.01


@dataclass(frozen=True)
class Fan:
    """apex_xy : px;  inner_radius_px, outer_radius_px : from the apex

    left_rad, right_rad : directions of the sides
    """

    apex_xy: tuple[float, float]
    inner_radius_px: float
    outer_radius_px: float
    left_rad: float
    right_rad: float

    def mask(self, height: int, width: int) -> NDArray[np.bool_]:
        """(H, W), True inside."""
        across = np.arange(width, dtype=np.float32) - np.float32(self.apex_xy[0])
        down = np.arange(height, dtype=np.float32)[:, None] - np.float32(self.apex_xy[1])
        square = across * across + down * down
        inside = (square >= self.inner_radius_px**2) & (square <= self.outer_radius_px**2)
        # To the right of the left side and to the left of the right side, which open by less than half a turn.
        for side_rad, sign in ((self.left_rad, 1), (self.right_rad, -1)):
            inside &= across * np.float32(sign * np.cos(side_rad)) >= down * np.float32(sign * np.sin(side_rad))
        return np.asarray(inside)

    def has_uncropped_face(self, height: int, width: int) -> bool:
        """Whether both ends of the probe's face lie well inside the picture, so that it was not cropped there."""
        x, y = self.apex_xy
        corners = [
            (x + self.inner_radius_px * np.sin(side_rad), y + self.inner_radius_px * np.cos(side_rad))
            for side_rad in (self.left_rad, self.right_rad)
        ]
        edge = FACE_MARGIN_SHARE * height
        return all(edge <= x < width - edge and edge <= y < height - edge for x, y in corners)

    def scaled(self, across: float, down: float) -> Fan:
        """The fan in a picture ``across`` times as wide and ``down`` times as high. The factors differ by rounding."""
        factor = np.sqrt(across * down)
        apex = float((self.apex_xy[0] + 0.5) * across - 0.5), float((self.apex_xy[1] + 0.5) * down - 0.5)
        return Fan(
            apex,
            float(self.inner_radius_px * factor),
            float(self.outer_radius_px * factor),
            self.left_rad,
            self.right_rad,
        )


@dataclass(frozen=True)
class PlacedFan:
    """A fan with the probe at the top or at the bottom of the picture.

    fan : in the picture itself, or in the picture turned upside down if ``upside_down``
    """

    fan: Fan
    upside_down: bool

    def mask(self, height: int, width: int) -> NDArray[np.bool_]:
        """(H, W), True inside, in the picture itself."""
        mask = self.fan.mask(height, width)
        return mask[::-1].copy() if self.upside_down else mask

    def scaled(self, across: float, down: float) -> PlacedFan:
        return PlacedFan(self.fan.scaled(across, down), self.upside_down)
