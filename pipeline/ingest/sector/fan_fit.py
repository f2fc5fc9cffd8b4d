"""The fan that the evidence is worth the most to: its apex is searched for, from coarse pictures to fine ones."""

from __future__ import annotations

import numpy as np

from pipeline.ingest.sector.fan import Fan
from pipeline.ingest.sector.fan_search_grid import Apex, BestFan, FanSearchGrid
from pipeline.ingest.sector.sector_evidence import HIGH_COST, LOW_COST, DarkPenalty, SectorEvidence

__all__ = ["fit_coarse_fan", "refine_fan", "widen_fan"]

# Sides of the pictures, in px, that the search goes through before the whole one; and the steps of half the opening.
COARSE_SIDE_PX, MEDIUM_SIDE_PX = 48, 120
COARSE_STEPS, MEDIUM_STEPS, FINE_STEPS = 40, 50, 150
# Where an apex is looked for first, in widths from the middle of the echoes and in longer sides above the first echo.
APEX_OFFSETS = (-0.12, -0.06, 0.0, 0.06, 0.12)
APEX_HEIGHTS = (-0.06, 0.0, 0.06, 0.13, 0.21, 0.3, 0.42, 0.6, 0.9, 1.4)
# A fan hangs straight down but for a screen that was filmed askew, in radians.
MAX_TILT_RAD, TILT_STEP_RAD = np.deg2rad(4.0), np.deg2rad(1.0)
# Where an apex is moved to, in steps across, down and of its lean. A fan too wide at one side turns about its face.
APEX_MOVES = ((-1, 0, 0), (1, 0, 0), (0, -2, 0), (0, 2, 0), (0, 0, -1), (0, 0, 1), (-1, 0, 1), (1, 0, -1))
# How far off half the opening of a rough fan may be.
HALF_ANGLE_TOLERANCE = 0.25
# Share of all echoes that a fan may leave out before a wider one is looked for; and how far off that one may be.
MISSED_ECHO_SHARE, WIDENED_HALF_ANGLE_TOLERANCE = 0.01, 0.06


def fit_coarse_fan(evidence: SectorEvidence, dark_penalty: DarkPenalty = HIGH_COST) -> tuple[Fan, float]:
    """The best fan on a coarse grid, and what it is worth, in px of echoes."""
    coarse, factor = evidence.downsampled(COARSE_SIDE_PX)
    around = FanSearchGrid(coarse, COARSE_STEPS, dark_penalty)
    lit = coarse.echo.clip(min=0)
    width = lit.shape[1]
    middle = float((lit.sum(axis=0) * np.arange(width)).sum() / max(float(lit.sum()), 1e-9))
    face = float(np.flatnonzero(lit.sum(axis=1) > 0.02 * width)[:1].sum())
    places = [
        Apex(middle + across * width, face - above * COARSE_SIDE_PX)
        for across in APEX_OFFSETS
        for above in APEX_HEIGHTS
    ]
    best = max((around.best_fan(place) for place in places), key=lambda one: one.fit_score)
    best = _searched(around, best, 2.0, 0.5)
    return best.fan.scaled(factor, factor), best.fit_score * factor**2


def refine_fan(
    evidence: SectorEvidence, rough: Fan, off: float = HALF_ANGLE_TOLERANCE, *, dark_penalty: DarkPenalty = HIGH_COST
) -> tuple[Fan, float]:
    """The same from where ``rough`` is, whose opening may be ``off`` by that share, on ever finer pictures."""
    half = (rough.right_rad - rough.left_rad) / 2
    halves = (1 - off) * half, (1 + off) * half
    middle, factor = evidence.downsampled(MEDIUM_SIDE_PX)
    apex = Apex(*rough.apex_xy, (rough.left_rad + rough.right_rad) / 2).scaled(1 / factor)
    around = FanSearchGrid(middle, MEDIUM_STEPS, dark_penalty, halves)
    best = _searched(around, around.best_fan(apex), 1.0, 0.25)
    fine = FanSearchGrid(evidence, FINE_STEPS, dark_penalty, halves).best_fan(best.apex.scaled(factor))
    return fine.fan, fine.fit_score


def widen_fan(evidence: SectorEvidence, fan: Fan) -> Fan:
    """The fan, or another one that holds echoes which it leaves out, however much of that one lies in shadow."""
    evidence = evidence.with_lines_as_echoes
    held, echoes = _held(evidence, fan), float(evidence.echo.clip(min=0).sum())
    if held > (1 - MISSED_ECHO_SHARE) * echoes:
        return fan
    rough, _ = fit_coarse_fan(evidence, LOW_COST)
    other, _ = refine_fan(evidence, rough, WIDENED_HALF_ANGLE_TOLERANCE)
    return other if _held(evidence, other) > held + MISSED_ECHO_SHARE * echoes else fan


def _held(evidence: SectorEvidence, fan: Fan) -> float:
    return float(evidence.echo[fan.mask(*evidence.shape)].clip(min=0).sum())


def _searched(around: FanSearchGrid, best: BestFan, step: float, least: float) -> BestFan:
    """The best fan near another: its apex is moved by steps, in px, that are halved where none of them helps."""
    lean = TILT_STEP_RAD
    while step >= least:
        before = best
        for across, down, turn in APEX_MOVES:
            at = best.apex
            apex = Apex(at.x + across * step, at.y + down * step, at.tilt_rad + turn * lean)
            if abs(apex.tilt_rad) <= MAX_TILT_RAD:
                best = max(best, around.best_fan(apex), key=lambda one: one.fit_score)
        if best is before:
            step, lean = step / 2, lean / 2
    return best
