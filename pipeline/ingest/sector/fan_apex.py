"""The best of all fans about one apex.

From a given apex the picture is a map over radius and angle, in which a fan is a box that is symmetric about the fan's
axis; the best of all boxes is found exactly, from sums over the map. Symmetry and the arcs tell where a side lies that
is lost in shadow.

Coordinates as in `pipeline.ingest.sector.fan`.
"""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from pipeline.ingest.sector.fan import Fan
from pipeline.ingest.sector.sector_evidence import Darkness, Evidence, worth

__all__ = ["Apex", "BestFan", "Surroundings"]

# Half of a fan's opening, in radians: less is a rectangle, more no probe shows.
NARROWEST, WIDEST = np.deg2rad(5.0), np.deg2rad(80.0)
LEANING_COSTS = 0.002  # share of all echoes, a degree
OUTSIDE = 0.02  # what a pixel costs of what lies beyond the picture's borders: a fan may be cropped, and seldom is


@dataclass(frozen=True)
class Apex:
    """x, y : px;  lean : radians, direction of the fan's axis"""

    x: float
    y: float
    lean: float = 0.0

    def magnified(self, factor: float) -> Apex:
        """The same on a picture that many times as large."""
        return Apex((self.x + 0.5) * factor - 0.5, (self.y + 0.5) * factor - 0.5, self.lean)


@dataclass(frozen=True)
class BestFan:
    """worth : what the picture's evidence adds up to in the ``fan``, less what its lean costs, in px of echoes"""

    apex: Apex
    fan: Fan
    worth: float


class Surroundings:
    """A picture out of which fans about any apex are cut, their radii to a pixel.

    steps : to which half the opening is told apart, from nothing to the most of ``halves``
    halves : least and most of half the opening, in radians
    """

    def __init__(
        self,
        evidence: Evidence,
        steps: int,
        darkness: Darkness,
        halves: tuple[float, float] = (NARROWEST, WIDEST),
    ) -> None:
        height, width = evidence.shape
        self._across = np.arange(width, dtype=np.float32)
        self._down = np.arange(height, dtype=np.float32)[:, None]
        maps = (evidence.echo, evidence.dark, evidence.line)[: 3 if evidence.line.any() else 2]
        self._maps = [each.ravel().astype(np.float64) for each in maps]
        self._darkness, self._steps = darkness, steps
        self._known: dict[Apex, BestFan] = {}
        least, self._most = max(NARROWEST, halves[0]), min(WIDEST, halves[1])
        self._fewest = min(int(steps * least / self._most), steps - 1)
        self._leaning_costs = LEANING_COSTS * float(evidence.echo.clip(min=0).sum())

    def best(self, apex: Apex) -> BestFan:
        """The best of all fans about that apex."""
        # A search that goes step by step looks back to where it was.
        if apex not in self._known:
            self._known[apex] = self._best(apex)
        return self._known[apex]

    def _best(self, apex: Apex) -> BestFan:
        steps = self._steps
        across, down = self._across - np.float32(apex.x), self._down - np.float32(apex.y)
        radius = np.sqrt(across * across + down * down)
        # Beams from left to right, and one more at either end for all that lies wider.
        beam = (np.arctan2(across, down) - np.float32(apex.lean)) * np.float32(steps / self._most)
        beam = np.clip(beam + np.float32(steps + 1), 0, 2 * steps + 1)
        nearest, beams = int(radius.min()), 2 * steps + 2
        rings = int(radius.max()) - nearest + 1
        cell = ((radius.astype(np.intp) - nearest) * beams + beam.astype(np.intp)).ravel()

        def sums(of: NDArray[np.float64] | None) -> NDArray[np.float64]:
            return np.asarray(np.bincount(cell, of, rings * beams).reshape(rings, beams)[:, 1:-1], np.float64)

        area = sums(None)
        gain = worth(area, *(sums(each) for each in self._maps), darkness=self._darkness)
        whole = (nearest + 0.5 + np.arange(rings)[:, None]) * (self._most / steps)
        gain -= OUTSIDE * np.maximum(whole - area, 0.0)
        # Summed over both halves from the axis outwards, and from the innermost ring down.
        total = cv2.integral(gain[:, steps:] + gain[:, steps - 1 :: -1])[:, 1 + self._fewest :]
        gained = total - np.minimum.accumulate(total, axis=0)
        outer, half = np.unravel_index(int(gained.argmax()), gained.shape)
        inner = int(total[: outer + 1, half].argmin())
        opening = float((half + 1 + self._fewest) * self._most / steps)
        fan = Fan(
            (apex.x, apex.y),
            float(nearest + inner),
            float(nearest + outer),
            apex.lean - opening,
            apex.lean + opening,
        )
        return BestFan(apex, fan, float(gained[outer, half]) - self._leaning_costs * abs(float(np.rad2deg(apex.lean))))
