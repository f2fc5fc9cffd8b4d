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
from pipeline.ingest.sector.sector_evidence import DarkPenalty, SectorEvidence, cell_fit_scores

__all__ = ["Apex", "BestFan", "FanSearchGrid"]

# Half of a fan's opening, in radians: less is a rectangle, more no probe shows.
MIN_HALF_ANGLE_RAD, MAX_HALF_ANGLE_RAD = np.deg2rad(5.0), np.deg2rad(80.0)
TILT_COST_PER_DEGREE = 0.002  # share of all echoes, a degree
CROPPED_PIXEL_COST = (
    0.02  # what a pixel costs of what lies beyond the picture's borders: a fan may be cropped, and seldom is
)


@dataclass(frozen=True)
class Apex:
    """x, y : px;  tilt_rad : direction of the fan's axis"""

    x: float
    y: float
    tilt_rad: float = 0.0

    def scaled(self, factor: float) -> Apex:
        """The same on a picture that many times as large."""
        return Apex((self.x + 0.5) * factor - 0.5, (self.y + 0.5) * factor - 0.5, self.tilt_rad)


@dataclass(frozen=True)
class BestFan:
    """fit_score : what the picture's evidence adds up to in the ``fan``, less what its lean costs, in px of echoes"""

    apex: Apex
    fan: Fan
    fit_score: float


class FanSearchGrid:
    """A picture out of which fans about any apex are cut, their radii to a pixel.

    steps : to which half the opening is told apart, from nothing to the most of ``halves``
    half_angle_range_rad : least and most of half the opening, in radians
    """

    def __init__(
        self,
        evidence: SectorEvidence,
        steps: int,
        dark_penalty: DarkPenalty,
        half_angle_range_rad: tuple[float, float] = (MIN_HALF_ANGLE_RAD, MAX_HALF_ANGLE_RAD),
    ) -> None:
        height, width = evidence.shape
        self._across = np.arange(width, dtype=np.float32)
        self._down = np.arange(height, dtype=np.float32)[:, None]
        maps = (evidence.echo, evidence.dark, evidence.line)[: 3 if evidence.line.any() else 2]
        self._maps = [each.ravel().astype(np.float64) for each in maps]
        self._darkness, self._steps = dark_penalty, steps
        self._known: dict[Apex, BestFan] = {}
        least, self._most = (
            max(MIN_HALF_ANGLE_RAD, half_angle_range_rad[0]),
            min(MAX_HALF_ANGLE_RAD, half_angle_range_rad[1]),
        )
        self._fewest = min(int(steps * least / self._most), steps - 1)
        self._leaning_costs = TILT_COST_PER_DEGREE * float(evidence.echo.clip(min=0).sum())

    def best_fan(self, apex: Apex) -> BestFan:
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
        beam = (np.arctan2(across, down) - np.float32(apex.tilt_rad)) * np.float32(steps / self._most)
        beam = np.clip(beam + np.float32(steps + 1), 0, 2 * steps + 1)
        nearest, beams = int(radius.min()), 2 * steps + 2
        rings = int(radius.max()) - nearest + 1
        cell = ((radius.astype(np.intp) - nearest) * beams + beam.astype(np.intp)).ravel()

        def sums(of: NDArray[np.float64] | None) -> NDArray[np.float64]:
            return np.asarray(np.bincount(cell, of, rings * beams).reshape(rings, beams)[:, 1:-1], np.float64)

        area = sums(None)
        gain = cell_fit_scores(area, *(sums(each) for each in self._maps), dark_penalty=self._darkness)
        whole = (nearest + 0.5 + np.arange(rings)[:, None]) * (self._most / steps)
        gain -= CROPPED_PIXEL_COST * np.maximum(whole - area, 0.0)
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
            apex.tilt_rad - opening,
            apex.tilt_rad + opening,
        )
        return BestFan(
            apex, fan, float(gained[outer, half]) - self._leaning_costs * abs(float(np.rad2deg(apex.tilt_rad)))
        )
