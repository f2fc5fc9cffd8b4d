"""Places of a picture by beam and depth, as the scanner took them.

Beam coordinates: ``beam`` says which beam (radians from straight down in a fan, px across in a rectangle), ``depth``
how far along it, px, counted from where a fan's beams meet or from the top of the picture. Pixels of the source frame,
x to the right, y down, pixel centres at whole numbers.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from models.ellipse import outline
from pipeline.ingest.sector.sector import Sector

__all__ = ["BeamCoordinates", "BeamExtent"]

Floats = NDArray[np.float64]


@dataclass(frozen=True)
class BeamExtent:
    """What beams an outline takes up, and between which depths."""

    first_beam: float
    last_beam: float
    near_depth: float
    far_depth: float

    @property
    def middle_beam(self) -> float:
        return (self.first_beam + self.last_beam) / 2

    @property
    def half_breadth(self) -> float:
        return (self.last_beam - self.first_beam) / 2

    @property
    def half_depth(self) -> float:
        return (self.far_depth - self.near_depth) / 2


@dataclass(frozen=True)
class BeamCoordinates:
    """The beams of one clip's sector. A whole screen, where no sector was found, counts as a rectangle."""

    sector: Sector

    @property
    def px_per_depth(self) -> float:
        """Length along a beam of one step of depth; more than 1 only where a rectangle's beams are steered."""
        return float(np.hypot(1.0, self.sector.steering))

    def to_xy(self, beam: Floats, depth: Floats) -> tuple[Floats, Floats]:
        """x and y of places given by arrays that fit each other."""
        if self.sector.apex_xy is None:
            return beam + self.sector.steering * depth, np.broadcast_arrays(depth, beam)[0]
        x, y = self.sector.apex_xy
        down = -1.0 if self.sector.upside_down else 1.0
        return x + depth * np.sin(beam), y + down * depth * np.cos(beam)

    def to_beam_depth(self, points: Floats) -> tuple[Floats, Floats]:
        """Beam and depth of (N, 2) points x, y."""
        x, y = np.asarray(points, dtype=np.float64).reshape(-1, 2).T
        if self.sector.apex_xy is None:
            return x - self.sector.steering * y, y
        across = x - self.sector.apex_xy[0]
        down = (y - self.sector.apex_xy[1]) * (-1.0 if self.sector.upside_down else 1.0)
        return np.arctan2(across, down), np.hypot(across, down)

    def extents(self, ellipses: Floats) -> list[BeamExtent]:
        """Of outlines (N, 5)."""
        corners = outline(ellipses)
        beam, depth = (place.reshape(corners.shape[:2]) for place in self.to_beam_depth(corners))
        ends = np.stack([beam.min(1), beam.max(1), depth.min(1), depth.max(1)], axis=1)
        return [BeamExtent(*row) for row in ends.tolist()]

    def entry_depths(self, ellipse: Floats, beam: Floats) -> Floats:
        """(B,) depths at which beams (B,) first meet an outline (5,), NaN where they pass it by.

        Along a beam a place is o + t d, and the outline is where a quadratic in t is 1.
        """
        angle = np.deg2rad(ellipse[4])
        turn = np.array([[np.cos(angle), np.sin(angle)], [-np.sin(angle), np.cos(angle)]]) / ellipse[2:4, None]
        start = np.stack(self.to_xy(beam, np.zeros_like(beam)))
        step = turn @ (np.stack(self.to_xy(beam, np.ones_like(beam))) - start)
        offset = turn @ (start - ellipse[:2, None])
        a, b, c = (step**2).sum(0), (offset * step).sum(0), (offset**2).sum(0) - 1
        room = b * b - a * c
        return np.where(room > 0, (-b - np.sqrt(np.maximum(room, 0.0))) / a, np.nan)
