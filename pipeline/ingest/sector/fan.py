"""A convex probe's fan: a ring segment between two straight sides.

Coordinates are pixels, x to the right, y down, pixel centres at whole numbers; angles are radians from
straight down, positive to the right.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

__all__ = ["Fan"]

# Share of the picture's height that the probe's face must be away from its border, to be taken for uncropped.
FACE_MARGIN_SHARE = 0.01


@dataclass(frozen=True)
class Fan:
    """apex_xy : px;  radii : px, from the apex;  left_rad, right_rad : the sides' directions."""

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
        # On the right of the left side and on the left of the right one, which open by less than half a turn.
        for side, sign in ((self.left_rad, 1), (self.right_rad, -1)):
            inside &= across * np.float32(sign * np.cos(side)) >= down * np.float32(sign * np.sin(side))
        return np.asarray(inside)

    def has_uncropped_face(self, height: int, width: int) -> bool:
        """Whether both ends of the probe's face lie well within the picture, and no crop cut them off."""
        x, y = self.apex_xy
        corners = [
            (x + self.inner_radius_px * np.sin(side), y + self.inner_radius_px * np.cos(side))
            for side in (self.left_rad, self.right_rad)
        ]
        edge = FACE_MARGIN_SHARE * height
        return all(edge <= x < width - edge and edge <= y < height - edge for x, y in corners)

    def scaled(self, across: float, down: float) -> Fan:
        """The same fan on a picture that many times as large; the two factors may differ by rounding only."""
        factor = np.sqrt(across * down)
        apex = float((self.apex_xy[0] + 0.5) * across - 0.5), float((self.apex_xy[1] + 0.5) * down - 0.5)
        return Fan(
            apex,
            float(self.inner_radius_px * factor),
            float(self.outer_radius_px * factor),
            self.left_rad,
            self.right_rad,
        )
