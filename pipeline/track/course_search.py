"""Searches the course of the hand in the likeness of every two frames.

Pictures show how far the probe moved between two frames, not in which direction. But after a turn they come back: with
the right turns, frames of equal position are alike, and how alike two frames are depends on how far apart they lie. So
turns are added, one or two at a time, as long as they explain the likeness of all frames clearly better. How likely the
hand turned follows from how much better.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

from pipeline.track.frame_likeness import FaceGeometry, FrameLikeness
from pipeline.track.probe_course import ProbeCourse, ProbeTurn

__all__ = ["find_courses"]

Floats = NDArray[np.float64]


@dataclass(frozen=True)
class _CourseModel:
    """Common practice, no source, where nothing else is said.

    A residual is the variance of the difference of two frames that their distance along the course does not explain, as
    a share of all variance.
    """

    lowest_likeness: float = 0.05  # frames less alike than this are equally far apart
    typical_chord: float = 0.35  # picture differences over which a step is measured: more than noise, hardly curved
    longest_chord: int = 5  # kept frames
    searched_frames: int = 120  # of a clip, evenly spread, in which turns are searched ...
    searched_per_second: float = 8.0  # ... and more in a long clip
    distance_bins: int = 24
    shortest_pass_seconds: float = 0.4
    assumed_frame_rate: float = 25.0  # where the file gives none
    pair_candidates: int = 28  # frames between which two turns at once are tried
    maximum_turns: int = 60
    # Log-odds that turns are real, from the logarithm of the residual before and after them.
    residual_floor: float = 0.02
    even_odds_gain: float = 0.35  # for each turn
    log_odds_per_gain: float = 10.0
    minimum_log_odds: float = -3.0  # below it turns are not considered
    maximum_log_odds: float = 6.0
    # In-plane turns.
    same_place_sd: float = 0.3  # picture differences between frames whose in-plane turn is compared
    turn_smoothing: float = 0.05  # weight of an even turn against what the pictures say


_MODEL = _CourseModel()


def find_courses(
    likeness: FrameLikeness, geometry: FaceGeometry, frame_rate: float | None = None
) -> tuple[ProbeCourse, ...]:
    """The readings of the hand's motion that the pictures allow, the most likely first.

    None for fewer than two frames. frame_rate : per second, None if unknown
    """
    if len(likeness.frames) < 2:
        return ()
    similarity = likeness.likeness.astype(np.float64)
    steps = step_lengths(similarity)
    search = _TurnSearch(likeness.frames, similarity, steps, frame_rate or _MODEL.assumed_frame_rate)
    stages = search.run()
    log_weights = np.cumsum([stage.log_odds for stage in stages])
    weights = np.exp(log_weights - log_weights.max())
    weights /= weights.sum()
    np.cumsum(weights[::-1])[::-1]  # probability of a stage or any later one
    readings = list(zip(stages, weights.tolist(), strict=True))
    courses = []
    for stage, weight in readings:
        positions = signed_positions(steps, stage.turns)
        courses.append(
            ProbeCourse(
                frames=likeness.frames,
                positions=positions,
                in_plane_degrees=_in_plane_degrees(likeness, similarity, positions),
                turns=tuple(
                    ProbeTurn(float(likeness.frames[turn]), search.turn_probability(turn, readings))
                    for turn in stage.turns
                ),
                probability=weight,
                face_xy=geometry.middle_xy,
                upside_down=geometry.upside_down,
            )
        )
    return tuple(sorted(courses, key=lambda course: -course.probability))


def step_lengths(similarity: Floats) -> Floats:
    """(K - 1,) picture differences from each frame to the next, from the likeness (K, K) of frames a little apart."""
    apart = np.sqrt(-2 * np.log(similarity.clip(_MODEL.lowest_likeness, 1.0)))
    count = len(apart)
    chord = 1
    for longer in range(2, min(_MODEL.longest_chord, count - 1) + 1):
        if np.median(np.diagonal(apart, longer)) <= _MODEL.typical_chord:
            chord = longer
    chords = np.diagonal(apart, chord) / chord
    total, number = np.zeros(count - 1), np.zeros(count - 1)
    for offset in range(chord):
        total[offset : offset + len(chords)] += chords
        number[offset : offset + len(chords)] += 1
    return np.asarray(total / number)


def signed_positions(steps: Floats, turns: Sequence[int]) -> Floats:
    """(K,) positions, from (K - 1,) step lengths and the rows of frames at which the direction changes."""
    signs = np.ones(len(steps))
    for turn in turns:
        signs[turn:] *= -1
    return np.concatenate([[0.0], np.cumsum(signs * steps)])


@dataclass(frozen=True)
class _Stage:
    """turns : rows of frames;  residual : with them;  log_odds : of the turns added last, against those before"""

    turns: tuple[int, ...]
    residual: float
    log_odds: float


class _TurnSearch:
    """Adds turns one or two at a time, each time those that lower the residual most."""

    def __init__(self, frames: NDArray[np.int64], similarity: Floats, steps: Floats, frame_rate: float) -> None:
        count = len(frames)
        seconds = float(frames[-1] - frames[0]) / frame_rate
        wanted = max(_MODEL.searched_frames, round(seconds * _MODEL.searched_per_second))
        self._stride = max(1, count // wanted)
        self._rows = np.arange(0, count, self._stride)
        self._first, self._second = np.triu_indices(len(self._rows), 1)
        searched = similarity[np.ix_(self._rows, self._rows)]
        self._difference = np.sqrt(2 * (1 - searched))[self._first, self._second]
        self._variance = float(((self._difference - self._difference.mean()) ** 2).sum())
        self._steps = steps
        spacing = float(np.median(np.diff(frames)))
        self._shortest = max(2, round(_MODEL.shortest_pass_seconds * frame_rate / spacing))
        self._count = count

    def run(self) -> list[_Stage]:
        """No turn first, then with every addition that is not out of the question."""
        stages = [_Stage((), self._residual(()), 0.0)]
        while len(stages[-1].turns) < _MODEL.maximum_turns:
            stage = self._with_more_turns(stages[-1])
            if stage is None or stage.log_odds < _MODEL.minimum_log_odds:
                break
            stages.append(stage)
        return stages

    def turn_probability(self, turn: int, readings: Sequence[tuple[_Stage, float]]) -> float:
        """That the hand turned near a row of frames, from all readings with their probabilities."""
        return float(
            sum(
                weight for stage, weight in readings if any(abs(turn - other) < self._shortest for other in stage.turns)
            )
        )

    def _residual(self, turns: Sequence[int]) -> float:
        if self._variance == 0:
            return 0.0
        positions = signed_positions(self._steps, turns)[self._rows]
        apart = np.abs(positions[self._first] - positions[self._second])
        bins = np.minimum(
            (apart * (_MODEL.distance_bins / max(float(apart.max()), 1e-9))).astype(np.int64), _MODEL.distance_bins - 1
        )
        number = np.bincount(bins, minlength=_MODEL.distance_bins)
        total = np.bincount(bins, self._difference, _MODEL.distance_bins)
        explained = float((total**2 / np.maximum(number, 1)).sum())
        return max(float((self._difference**2).sum()) - explained, 0.0) / self._variance

    def _with_more_turns(self, stage: _Stage) -> _Stage | None:
        candidates = [
            turn
            for turn in range(self._shortest, self._count - self._shortest, self._stride)
            if all(abs(turn - other) >= self._shortest for other in stage.turns)
        ]
        ends = candidates[:: max(1, len(candidates) // _MODEL.pair_candidates)]
        additions: list[tuple[int, ...]] = [(turn,) for turn in candidates]
        additions += [(a, b) for k, a in enumerate(ends) for b in ends[k + 1 :] if b - a >= self._shortest]
        best: _Stage | None = None
        for number in (1, 2):
            tried = [
                (self._residual(turns), turns)
                for added in additions
                if len(added) == number
                for turns in [tuple(sorted((*stage.turns, *added)))]
            ]
            if tried:
                refined = self._refined(*min(tried))
                log_odds = self._log_odds(stage.residual, refined[0], number)
                if best is None or log_odds > best.log_odds:
                    best = _Stage(refined[1], refined[0], log_odds)
        return best

    def _log_odds(self, before: float, after: float, number: int) -> float:
        floor = _MODEL.residual_floor
        gain = np.log((before + floor) / (after + floor))
        log_odds = _MODEL.log_odds_per_gain * (gain - number * _MODEL.even_odds_gain)
        return float(min(log_odds, _MODEL.maximum_log_odds))

    def _refined(self, residual: float, turns: tuple[int, ...]) -> tuple[float, tuple[int, ...]]:
        """The turns moved to where the residual is lowest nearby."""
        moves = [sign * step for step in (4 * self._stride, 2 * self._stride, self._stride, 1) for sign in (-1, 1)]
        improved = True
        while improved:
            improved = False
            for index in range(len(turns)):
                for move in moves:
                    moved = (*turns[:index], turns[index] + move, *turns[index + 1 :])
                    if self._is_valid(moved):
                        tried = self._residual(moved)
                        if tried < residual:
                            residual, turns, improved = tried, moved, True
        return residual, turns

    def _is_valid(self, turns: Sequence[int]) -> bool:
        return all(b - a >= self._shortest for a, b in pairwise((0, *turns, self._count)))


def _in_plane_degrees(likeness: FrameLikeness, similarity: Floats, positions: Floats) -> Floats:
    """(K,) in-plane turns of the frames whose differences agree best with those of alike frames at one position."""
    apart = positions[:, None] - positions[None]
    weight = np.exp(-0.5 * (apart / _MODEL.same_place_sd) ** 2) * (2 * similarity - 1).clip(0, 1) ** 2
    np.fill_diagonal(weight, 0)
    count = len(positions)
    # Least squares of angle[j] - angle[i] against what the pictures say, and of an even turn from frame to frame.
    smooth = _MODEL.turn_smoothing * max(float(weight.sum()), 1e-6) / count
    matrix = np.diag(weight.sum(axis=1)) - weight
    step = np.diff(np.eye(count), axis=0)
    matrix += smooth * step.T @ step + 1e-6 * np.eye(count)
    return np.asarray(np.linalg.solve(matrix, -(weight * likeness.turn_degrees).sum(axis=1)))
