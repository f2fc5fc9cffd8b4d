"""The fan with the highest score: its apex is searched for, from coarse pictures to fine ones."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from pipeline.ingest.sector.fan import Fan
from pipeline.ingest.sector.fan_search_grid import Apex, BestFan, FanSearchGrid
from pipeline.ingest.sector.sector_evidence import HIGH_COST, LOW_COST, DarkPenalty, Fit, SectorEvidence

__all__ = ["fit_coarse_fan", "refine_fan", "widen_fan"]


@dataclass(frozen=True)
class FanSearch:
    """How the fan is searched for. All values: common practice, no source.

    coarse_side_px, medium_side_px : longer sides of the pictures that are searched before the full one
    coarse_steps, medium_steps, fine_steps : steps of half the opening angle on each of the three pictures
    coarse_move_px, medium_move_px : first and smallest move of the apex on the first two pictures
    apex_offsets : first places of the apex, in widths from the middle of the echoes
    apex_heights : the same, in longer sides above the first echo
    face_row_share : share of the width in echoes from which a row is the first with echoes
    max_tilt_rad, tilt_step_rad : a fan hangs straight down unless the screen was filmed at an angle
    apex_moves : moves of the apex, in steps across, down and of its tilt. The last two turn the fan about its face,
    for a fan that is too wide at one side.
    half_angle_tolerance : share by which half the opening of a coarse fan may be wrong
    missed_echo_share : share of all echoes that a fan may leave out before a wider one is searched for
    widened_half_angle_tolerance : share by which half the opening of that one may be wrong
    """

    coarse_side_px: int = 48
    medium_side_px: int = 120
    coarse_steps: int = 40
    medium_steps: int = 50
    fine_steps: int = 150
    coarse_move_px: tuple[float, float] = (2.0, 0.5)
    medium_move_px: tuple[float, float] = (1.0, 0.25)
    apex_offsets: tuple[float, ...] = (-0.12, -0.06, 0.0, 0.06, 0.12)
    apex_heights: tuple[float, ...] = (-0.06, 0.0, 0.06, 0.13, 0.21, 0.3, 0.42, 0.6, 0.9, 1.4)
    face_row_share: float = 0.02
    max_tilt_rad: float = float(np.deg2rad(4.0))
    tilt_step_rad: float = float(np.deg2rad(1.0))
    apex_moves: tuple[tuple[int, int, int], ...] = (
        (-1, 0, 0),
        (1, 0, 0),
        (0, -2, 0),
        (0, 2, 0),
        (0, 0, -1),
        (0, 0, 1),
        (-1, 0, 1),
        (1, 0, -1),
    )
    half_angle_tolerance: float = 0.25
    missed_echo_share: float = 0.01
    widened_half_angle_tolerance: float = 0.06


_SEARCH = FanSearch()


def fit_coarse_fan(evidence: SectorEvidence, dark_penalty: DarkPenalty = HIGH_COST) -> Fit[Fan]:
    """The best fan on a coarse grid."""
    coarse, factor = evidence.downsampled(_SEARCH.coarse_side_px)
    grid = FanSearchGrid(coarse, _SEARCH.coarse_steps, dark_penalty)
    lit = coarse.echo.clip(min=0)
    width = lit.shape[1]
    middle = float((lit.sum(axis=0) * np.arange(width)).sum() / max(float(lit.sum()), 1e-9))
    face = float(np.flatnonzero(lit.sum(axis=1) > _SEARCH.face_row_share * width)[:1].sum())
    apexes = [
        Apex(middle + offset * width, face - height * _SEARCH.coarse_side_px)
        for offset in _SEARCH.apex_offsets
        for height in _SEARCH.apex_heights
    ]
    best = max((grid.best_fan(apex) for apex in apexes), key=lambda candidate: candidate.fit_score)
    best = _climb(grid, best, *_SEARCH.coarse_move_px)
    return Fit(best.fan.scaled(factor, factor), best.fit_score * factor**2)


def refine_fan(
    evidence: SectorEvidence,
    coarse_fan: Fan,
    half_angle_tolerance: float = _SEARCH.half_angle_tolerance,
    *,
    dark_penalty: DarkPenalty = HIGH_COST,
) -> Fit[Fan]:
    """The best fan near ``coarse_fan``, on ever finer pictures.

    half_angle_tolerance : share by which half the opening of ``coarse_fan`` may be wrong
    """
    half_angle = (coarse_fan.right_rad - coarse_fan.left_rad) / 2
    half_angle_range = (1 - half_angle_tolerance) * half_angle, (1 + half_angle_tolerance) * half_angle
    medium, factor = evidence.downsampled(_SEARCH.medium_side_px)
    apex = Apex(*coarse_fan.apex_xy, (coarse_fan.left_rad + coarse_fan.right_rad) / 2).scaled(1 / factor)
    grid = FanSearchGrid(medium, _SEARCH.medium_steps, dark_penalty, half_angle_range)
    best = _climb(grid, grid.best_fan(apex), *_SEARCH.medium_move_px)
    fine_grid = FanSearchGrid(evidence, _SEARCH.fine_steps, dark_penalty, half_angle_range)
    fine = fine_grid.best_fan(best.apex.scaled(factor))
    return Fit(fine.fan, fine.fit_score)


def widen_fan(evidence: SectorEvidence, fan: Fan) -> Fan:
    """The fan, or a wider one that holds echoes which it leaves out, however much of that one lies in shadow."""
    evidence = evidence.with_lines_as_echoes
    held_px, echo_px = evidence.echo_px_in(fan.mask(*evidence.shape)), evidence.echo_px
    if held_px > (1 - _SEARCH.missed_echo_share) * echo_px:
        return fan
    coarse = fit_coarse_fan(evidence, LOW_COST)
    wider = refine_fan(evidence, coarse.shape, _SEARCH.widened_half_angle_tolerance).shape
    gain_px = _SEARCH.missed_echo_share * echo_px
    return wider if evidence.echo_px_in(wider.mask(*evidence.shape)) > held_px + gain_px else fan


def _climb(grid: FanSearchGrid, best: BestFan, step_px: float, min_step_px: float) -> BestFan:
    """The best fan near ``best``: its apex is moved, and the steps are halved where no move helps."""
    tilt_step = _SEARCH.tilt_step_rad
    while step_px >= min_step_px:
        before = best
        for across, down, turn in _SEARCH.apex_moves:
            at = best.apex
            apex = Apex(at.x + across * step_px, at.y + down * step_px, at.tilt_rad + turn * tilt_step)
            if abs(apex.tilt_rad) <= _SEARCH.max_tilt_rad:
                best = max(best, grid.best_fan(apex), key=lambda candidate: candidate.fit_score)
        if best is before:
            step_px, tilt_step = step_px / 2, tilt_step / 2
    return best
