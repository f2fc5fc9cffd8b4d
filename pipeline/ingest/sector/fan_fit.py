"""The fan that the evidence is worth the most to: its apex is searched for, from coarse pictures to fine ones."""

from __future__ import annotations

import numpy as np

from pipeline.ingest.sector.fan import Fan
from pipeline.ingest.sector.fan_apex import Apex, BestFan, Surroundings
from pipeline.ingest.sector.sector_evidence import CHEAP, DEAR, Darkness, Evidence

__all__ = ["refined_fan", "reopened_fan", "rough_fan"]

# Sides of the pictures, in px, that the search goes through before the whole one; and the steps of half the opening.
COARSE, MIDDLE = 48, 120
COARSE_STEPS, STEPS, FINE_STEPS = 40, 50, 150
# Where an apex is looked for first, in widths from the middle of the echoes and in longer sides above the first echo.
ACROSS = (-0.12, -0.06, 0.0, 0.06, 0.12)
ABOVE = (-0.06, 0.0, 0.06, 0.13, 0.21, 0.3, 0.42, 0.6, 0.9, 1.4)
# A fan hangs straight down but for a screen that was filmed askew, in radians.
LEANING, LEAN = np.deg2rad(4.0), np.deg2rad(1.0)
# Where an apex is moved to, in steps across, down and of its lean. A fan too wide at one side turns about its face.
MOVES = ((-1, 0, 0), (1, 0, 0), (0, -2, 0), (0, 2, 0), (0, 0, -1), (0, 0, 1), (-1, 0, 1), (1, 0, -1))
# How far off half the opening of a rough fan may be.
OFF = 0.25
# Share of all echoes that a fan may leave out before a wider one is looked for; and how far off that one may be.
LEFT_OUT, LITTLE_OFF = 0.01, 0.06


def rough_fan(evidence: Evidence, darkness: Darkness = DEAR) -> tuple[Fan, float]:
    """The best fan on a coarse grid, and what it is worth, in px of echoes."""
    coarse, factor = evidence.shrunk(COARSE)
    around = Surroundings(coarse, COARSE_STEPS, darkness)
    lit = coarse.echo.clip(min=0)
    width = lit.shape[1]
    middle = float((lit.sum(axis=0) * np.arange(width)).sum() / max(float(lit.sum()), 1e-9))
    face = float(np.flatnonzero(lit.sum(axis=1) > 0.02 * width)[:1].sum())
    places = [Apex(middle + across * width, face - above * COARSE) for across in ACROSS for above in ABOVE]
    best = max((around.best(place) for place in places), key=lambda one: one.worth)
    best = _searched(around, best, 2.0, 0.5)
    return best.fan.magnified(factor, factor), best.worth * factor**2


def refined_fan(evidence: Evidence, rough: Fan, off: float = OFF, *, darkness: Darkness = DEAR) -> tuple[Fan, float]:
    """The same from where ``rough`` is, whose opening may be ``off`` by that share, on ever finer pictures."""
    half = (rough.right - rough.left) / 2
    halves = (1 - off) * half, (1 + off) * half
    middle, factor = evidence.shrunk(MIDDLE)
    apex = Apex(*rough.apex_xy, (rough.left + rough.right) / 2).magnified(1 / factor)
    around = Surroundings(middle, STEPS, darkness, halves)
    best = _searched(around, around.best(apex), 1.0, 0.25)
    fine = Surroundings(evidence, FINE_STEPS, darkness, halves).best(best.apex.magnified(factor))
    return fine.fan, fine.worth


def reopened_fan(evidence: Evidence, fan: Fan) -> Fan:
    """The fan, or another one that holds echoes which it leaves out, however much of that one lies in shadow."""
    evidence = evidence.believing_lines
    held, echoes = _held(evidence, fan), float(evidence.echo.clip(min=0).sum())
    if held > (1 - LEFT_OUT) * echoes:
        return fan
    rough, _ = rough_fan(evidence, CHEAP)
    other, _ = refined_fan(evidence, rough, LITTLE_OFF)
    return other if _held(evidence, other) > held + LEFT_OUT * echoes else fan


def _held(evidence: Evidence, fan: Fan) -> float:
    return float(evidence.echo[fan.mask(*evidence.shape)].clip(min=0).sum())


def _searched(around: Surroundings, best: BestFan, step: float, least: float) -> BestFan:
    """The best fan near another: its apex is moved by steps, in px, that are halved where none of them helps."""
    lean = LEAN
    while step >= least:
        before = best
        for across, down, turn in MOVES:
            at = best.apex
            apex = Apex(at.x + across * step, at.y + down * step, at.lean + turn * lean)
            if abs(apex.lean) <= LEANING:
                best = max(best, around.best(apex), key=lambda one: one.worth)
        if best is before:
            step, lean = step / 2, lean / 2
    return best
