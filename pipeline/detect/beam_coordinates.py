"""Conversion between pixels and beam coordinates, the coordinates in which the scanner recorded the picture.

Beam coordinates: ``beam`` says which beam (radians from straight down in a fan, px across in a rectangle), ``depth``
how far along it, px, counted from the point where a fan's beams meet or from the top of the picture. Pixels are those
of the source frame, x to the right, y down, pixel centres at whole numbers.
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
    """The range of beams and of depths that an outline covers."""

    first_beam: float
    last_beam: float
    near_depth: float
    far_depth: float

    @property
    def centre_beam(self) -> float:
        return (self.first_beam + self.last_beam) / 2

    @property
    def half_width(self) -> float:
        return (self.last_beam - self.first_beam) / 2

    @property
    def centre_depth(self) -> float:
        return (self.near_depth + self.far_depth) / 2

    @property
    def half_depth(self) -> float:
        return (self.far_depth - self.near_depth) / 2


@dataclass(frozen=True)
class BeamCoordinates:
    """The beams of one clip's sector. Where no sector was found, the whole screen counts as a rectangle."""

    sector: Sector

    @property
    def px_per_depth(self) -> float:
        """Pixels along a beam per unit of depth; more than 1 only where a rectangle's beams are steered."""
        return float(np.hypot(1.0, self.sector.steering))

    def to_xy(self, beam: Floats, depth: Floats) -> tuple[Floats, Floats]:
        """x and y of the points at ``beam`` and ``depth``, two arrays that broadcast against each other."""
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
        """The extent of each outline (N, 5)."""
        points = outline(ellipses)
        beam, depth = (coordinate.reshape(points.shape[:2]) for coordinate in self.to_beam_depth(points))
        limits = np.stack([beam.min(1), beam.max(1), depth.min(1), depth.max(1)], axis=1)
        return [BeamExtent(*row) for row in limits.tolist()]

    def entry_depths(self, ellipse: Floats, beam: Floats) -> Floats:
        """(B,) depths at which beams (B,) first meet an outline (5,), NaN where they miss it.

        A point on a beam is o + t d. Scaled so that the outline is the unit circle, it solves a quadratic in t.
        """
        angle = np.deg2rad(ellipse[4])
        to_unit_circle = (
            np.array([[np.cos(angle), np.sin(angle)], [-np.sin(angle), np.cos(angle)]]) / ellipse[2:4, None]
        )
        start = np.stack(self.to_xy(beam, np.zeros_like(beam)))
        direction = to_unit_circle @ (np.stack(self.to_xy(beam, np.ones_like(beam))) - start)
        offset = to_unit_circle @ (start - ellipse[:2, None])
        a, b, c = (direction**2).sum(0), (offset * direction).sum(0), (offset**2).sum(0) - 1
        discriminant = b * b - a * c
        return np.where(discriminant > 0, (-b - np.sqrt(np.maximum(discriminant, 0.0))) / a, np.nan)
