"""The best of all fans with one apex.

Seen from a given apex, the picture is a map over radius and angle. In it a fan is a box that is symmetric about the
fan's axis, and the best box is found exactly from sums over the map. Symmetry and the arcs show where a side is that is
lost in shadow.

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

# Half the opening angle of a fan. Below the first it is a rectangle; no probe shows more than the second.
MIN_HALF_ANGLE_RAD, MAX_HALF_ANGLE_RAD = np.deg2rad(5.0), np.deg2rad(80.0)
TILT_COST_PER_DEGREE = 0.002  # share of all echoes (common practice, no source)
# Cost of a pixel beyond the picture's borders: a fan may be cropped, but rarely is (common
# practice, no source).
CROPPED_PIXEL_COST = 0.02


@dataclass(frozen=True)
class Apex:
    """x, y : px;  tilt_rad : direction of the fan's axis"""

    x: float
    y: float
    tilt_rad: float = 0.0

    def scaled(self, factor: float) -> Apex:
        """The apex in a picture ``factor`` times as large."""
        return Apex((self.x + 0.5) * factor - 0.5, (self.y + 0.5) * factor - 0.5, self.tilt_rad)


@dataclass(frozen=True)
class BestFan:
    """fit_score : sum of the evidence in ``fan`` minus the cost of its tilt, in px of echo"""

    apex: Apex
    fan: Fan
    fit_score: float


class FanSearchGrid:
    """A picture in which the best fan is found for any apex. Radii are whole pixels.

    steps : number of steps of half the opening angle, from zero to the upper end of ``half_angle_range_rad``
    half_angle_range_rad : lowest and highest half of the opening angle
    """

    def __init__(
        self,
        evidence: SectorEvidence,
        steps: int,
        dark_penalty: DarkPenalty,
        half_angle_range_rad: tuple[float, float] = (MIN_HALF_ANGLE_RAD, MAX_HALF_ANGLE_RAD),
    ) -> None:
        height, width = evidence.shape
        self._columns = np.arange(width, dtype=np.float32)
        self._rows = np.arange(height, dtype=np.float32)[:, None]
        maps = (evidence.echo, evidence.dark, evidence.line)[: 3 if evidence.line.any() else 2]
        self._maps = [each.ravel().astype(np.float64) for each in maps]
        self._dark_penalty, self._steps = dark_penalty, steps
        self._best_by_apex: dict[Apex, BestFan] = {}
        min_half_angle = max(MIN_HALF_ANGLE_RAD, half_angle_range_rad[0])
        self._max_half_angle = min(MAX_HALF_ANGLE_RAD, half_angle_range_rad[1])
        self._min_steps = min(int(steps * min_half_angle / self._max_half_angle), steps - 1)
        self._cost_per_degree = TILT_COST_PER_DEGREE * evidence.echo_px

    def best_fan(self, apex: Apex) -> BestFan:
        """The best of all fans with that apex."""
        # A search that moves step by step comes back to an apex it has tried.
        if apex not in self._best_by_apex:
            self._best_by_apex[apex] = self._search(apex)
        return self._best_by_apex[apex]

    def _search(self, apex: Apex) -> BestFan:
        steps = self._steps
        across, down = self._columns - np.float32(apex.x), self._rows - np.float32(apex.y)
        radius = np.sqrt(across * across + down * down)
        # Beams from left to right, with one more at either end for everything outside the largest opening.
        beam = (np.arctan2(across, down) - np.float32(apex.tilt_rad)) * np.float32(steps / self._max_half_angle)
        beam = np.clip(beam + np.float32(steps + 1), 0, 2 * steps + 1)
        nearest, beams = int(radius.min()), 2 * steps + 2
        rings = int(radius.max()) - nearest + 1
        cell = ((radius.astype(np.intp) - nearest) * beams + beam.astype(np.intp)).ravel()

        def cell_sums(weights: NDArray[np.float64] | None) -> NDArray[np.float64]:
            """(rings, 2 * steps) sum of ``weights`` in each cell; of None, the number of pixels."""
            sums = np.bincount(cell, weights, rings * beams).reshape(rings, beams)
            return np.asarray(sums[:, 1:-1], np.float64)

        area = cell_sums(None)
        score = cell_fit_scores(area, *(cell_sums(each) for each in self._maps), dark_penalty=self._dark_penalty)
        uncropped_area = (nearest + 0.5 + np.arange(rings)[:, None]) * (self._max_half_angle / steps)
        score -= CROPPED_PIXEL_COST * np.maximum(uncropped_area - area, 0.0)
        # Cumulative over both halves from the axis outwards, and from the innermost ring down.
        total = cv2.integral(score[:, steps:] + score[:, steps - 1 :: -1])[:, 1 + self._min_steps :]
        gained = total - np.minimum.accumulate(total, axis=0)
        outer, half = np.unravel_index(int(gained.argmax()), gained.shape)
        inner = int(total[: outer + 1, half].argmin())
        half_angle = float((half + 1 + self._min_steps) * self._max_half_angle / steps)
        fan = Fan(
            (apex.x, apex.y),
            float(nearest + inner),
            float(nearest + outer),
            apex.tilt_rad - half_angle,
            apex.tilt_rad + half_angle,
        )
        tilt_cost = self._cost_per_degree * abs(float(np.rad2deg(apex.tilt_rad)))
        return BestFan(apex, fan, float(gained[outer, half]) - tilt_cost)
