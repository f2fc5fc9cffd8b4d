"""Searches the course of the hand in the likeness of every two frames.

Pictures show how far the probe moved between two frames, not in which direction. But after a turn they come back. So
frames are laid out along a line by their likeness (`course_map`); where the line is walked back the hand turned. The
layout gives several readings, from no turn to many. How likely each of them is was learned on phantoms, where the turns
are known, from how well the distances along the course explain how alike the frames are.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray
from scipy.special import softmax

from pipeline.track.course_map import layout_along_line, monotonic_between, nested_turns
from pipeline.track.frame_likeness import FaceGeometry, FrameLikeness
from pipeline.track.probe_course import ProbeCourse, ProbeTurn

__all__ = ["CourseFeatures", "Reading", "candidate_readings", "find_courses"]

Floats = NDArray[np.float64]


@dataclass(frozen=True)
class _CourseModel:
    """Common practice, no source, where nothing else is said."""

    lowest_likeness: float = 0.05  # frames less alike than this are equally far apart
    typical_chord: float = 0.35  # picture differences over which a step is measured: more than noise, hardly curved
    longest_chord: int = 5  # kept frames
    searched_frames: int = 160  # of a clip, evenly spread, that are laid out ...
    searched_per_second: float = 5.0  # ... and more in a long clip
    alike_limits: tuple[float, ...] = (0.25, 0.35, 0.45, 0.6, 0.75, 0.95)  # picture differences
    distance_bins: int = 24
    shortest_pass_seconds: float = 0.4
    smoothing_seconds: float = 0.12
    same_turn_frames: int = 2  # searched frames within which two turns are one
    assumed_frame_rate: float = 25.0  # where the file gives none
    turn_width: float = 0.1  # picture differences from its furthest position within which the hand rests at a turn
    ridge_start: float = 0.35  # of the shorter swing: nearer to the turn all frames are alike
    negligible: float = 0.01  # probability of a reading that is left out
    same_place_sd: float = 0.3  # picture differences between frames whose in-plane turn is compared
    turn_smoothing: float = 0.05  # weight of an even in-plane turn against what the pictures say


@dataclass(frozen=True)
class CourseFeatures:
    """What says how likely a reading with turns is. All but the first are 0 for the reading without any.

    residual : logarithm of the share of the variance of the frames' differences that distances along the course do not
        explain
    turned : 1;  turns : how many
    swing : logarithm of the length of the shortest pass, in picture differences
    weakest_ridge, mean_ridge : by how much frames are more like those of equal position beyond the turn than like the
        turn itself, in picture differences, at the weakest turn and on average
    length : logarithm of the length of the course, relative to that without turns
    mismatch : mean picture difference of frames at equal positions on either side of a turn
    """

    residual: float
    turned: float = 0.0
    turns: float = 0.0
    swing: float = 0.0
    weakest_ridge: float = 0.0
    mean_ridge: float = 0.0
    length: float = 0.0
    mismatch: float = 0.0


_MODEL = _CourseModel()

# Weights of the features in the logarithm of a reading's probability. Learned by maximum likelihood (conditional
# logit) on 378 clips of phantoms of seed 15001, in which a reading was right if all its turns lay within 15 frames.
_WEIGHTS = CourseFeatures(-3.36, 1.64, 0.39, 3.89, -0.73, -2.58, -1.06, -7.45)
_RESIDUAL_FLOOR, _SHORTEST_SWING, _SHORTEST_LENGTH, _NO_MATCH = 0.02, 0.02, 1e-3, 2.0


@dataclass(frozen=True)
class Reading:
    """turns : rows of the searched frames;  positions : of these;  features : of the reading"""

    turns: tuple[int, ...]
    positions: Floats
    features: CourseFeatures


def find_courses(
    likeness: FrameLikeness, geometry: FaceGeometry, frame_rate: float | None = None
) -> tuple[ProbeCourse, ...]:
    """The readings of the hand's motion that the pictures allow, the most likely first.

    None for fewer than two frames. frame_rate : per second, None if unknown
    """
    if len(likeness.frames) < 2:
        return ()
    rate = frame_rate or _MODEL.assumed_frame_rate
    rows, readings = candidate_readings(likeness, rate)
    weights = np.array([_log_weight(reading.features) for reading in readings])
    probabilities = softmax(weights)
    probabilities[probabilities < min(_MODEL.negligible, probabilities.max())] = 0
    probabilities /= probabilities.sum()
    searched = likeness.frames[rows]
    likely = [(one, float(p)) for one, p in zip(readings, probabilities, strict=True) if p > 0]
    turn_frames = [[_turn_frame(searched, one.positions, turn) for turn in one.turns] for one, _ in likely]
    near = _MODEL.shortest_pass_seconds * rate

    def turn_probability(frame: float) -> float:
        return sum(
            p
            for (_, p), others in zip(likely, turn_frames, strict=True)
            if any(abs(frame - other) <= near for other in others)
        )

    courses, in_plane_turns = [], _InPlaneTurns(likeness)
    for (reading, probability), frames in zip(likely, turn_frames, strict=True):
        positions = np.interp(likeness.frames, searched, reading.positions - reading.positions[0])
        if len(frames) and reading.positions[reading.turns[0]] < reading.positions[0]:
            positions = -positions
        courses.append(
            ProbeCourse(
                frames=likeness.frames,
                positions=np.asarray(positions),
                in_plane_degrees=in_plane_turns.degrees(np.asarray(positions)),
                turns=tuple(ProbeTurn(frame, turn_probability(frame)) for frame in frames),
                probability=probability,
                face_xy=geometry.middle_xy,
                upside_down=geometry.upside_down,
            )
        )
    return tuple(sorted(courses, key=lambda course: -course.probability))


def candidate_readings(likeness: FrameLikeness, frame_rate: float) -> tuple[NDArray[np.int64], list[Reading]]:
    """Rows of the frames that were searched, and the readings of the hand's motion: without turns first."""
    frames = likeness.frames
    seconds = float(frames[-1] - frames[0]) / frame_rate
    wanted = max(_MODEL.searched_frames, round(seconds * _MODEL.searched_per_second))
    rows = np.arange(0, len(frames), max(1, len(frames) // wanted))
    similarity = likeness.likeness[np.ix_(rows, rows)].astype(np.float64)
    apart = _picture_differences(similarity)
    straight = np.concatenate([[0.0], np.cumsum(_step_lengths(likeness.likeness))])[rows]
    differences = _Differences(similarity)
    found: dict[tuple[int, ...], tuple[float, Floats]] = {(): (differences.residual(straight), straight)}
    per_second = frame_rate / max(float(np.median(np.diff(frames[rows]))), 1.0)
    shortest = max(2, round(_MODEL.shortest_pass_seconds * per_second))
    for limit in _MODEL.alike_limits if len(rows) > 2 else ():
        line = layout_along_line(apart, limit)
        for turns in nested_turns(line, max(1.0, _MODEL.smoothing_seconds * per_second)):
            if turns and min(b - a for a, b in pairwise((0, *turns, len(rows) - 1))) >= shortest:
                positions = monotonic_between(line, turns)
                key, residual = _known(turns, found), differences.residual(positions)
                if key not in found or residual < found[key][0]:
                    found[key] = residual, positions
    length = float(straight[-1])
    readings = [
        Reading(turns, positions, _features(turns, positions, residual, apart, length))
        for turns, (residual, positions) in found.items()
    ]
    return rows, readings


def _known(turns: tuple[int, ...], found: Mapping[tuple[int, ...], object]) -> tuple[int, ...]:
    """The turns that were found already if they are nearly the same, so that one reading does not count twice."""
    for known in found:
        if len(known) == len(turns) and all(
            abs(a - b) <= _MODEL.same_turn_frames for a, b in zip(known, turns, strict=True)
        ):
            return known
    return turns


def _picture_differences(similarity: NDArray[np.floating]) -> Floats:
    # Likeness falls as a Gaussian of the distance while it is small.
    return np.asarray(np.sqrt(-2 * np.log(similarity.astype(np.float64).clip(_MODEL.lowest_likeness, 1.0))))


def _step_lengths(likeness: NDArray[np.floating]) -> Floats:
    """(K - 1,) picture differences from each frame to the next, from the likeness (K, K) of frames a little apart."""
    count, chord = len(likeness), 1

    def chords(length: int) -> Floats:
        return _picture_differences(np.diagonal(likeness, length))

    for longer in range(2, min(_MODEL.longest_chord, count - 1) + 1):
        if np.median(chords(longer)) <= _MODEL.typical_chord:
            chord = longer
    steps = chords(chord) / chord
    total, number = np.zeros(count - 1), np.zeros(count - 1)
    for offset in range(chord):
        total[offset : offset + len(steps)] += steps
        number[offset : offset + len(steps)] += 1
    return np.asarray(total / number)


class _Differences:
    """The differences of every two frames, from their likeness (K, K)."""

    def __init__(self, similarity: Floats) -> None:
        self._first, self._second = np.triu_indices(len(similarity), 1)
        self._values = np.sqrt(2 * (1 - similarity))[self._first, self._second]
        self._total = float((self._values**2).sum())
        self._variance = float(((self._values - self._values.mean()) ** 2).sum())

    def residual(self, positions: Floats) -> float:
        """Share of their variance that distances along a course (K,) do not explain."""
        if self._variance == 0:
            return 0.0
        apart = np.abs(positions[self._first] - positions[self._second])
        bins = (apart * (_MODEL.distance_bins / max(float(apart.max()), 1e-9))).astype(np.int64)
        bins = np.minimum(bins, _MODEL.distance_bins - 1)
        number = np.maximum(np.bincount(bins, minlength=_MODEL.distance_bins), 1)
        explained = float((np.bincount(bins, self._values, _MODEL.distance_bins) ** 2 / number).sum())
        return max(self._total - explained, 0.0) / self._variance


def _features(
    turns: tuple[int, ...], positions: Floats, residual: float, apart: Floats, straight_length: float
) -> CourseFeatures:
    log_residual = float(np.log(residual + _RESIDUAL_FLOOR))
    if not turns:
        return CourseFeatures(log_residual)
    ends = (0, *turns, len(positions) - 1)
    swings = [abs(float(positions[b] - positions[a])) for a, b in pairwise(ends)]
    ridges, mismatches = [], []
    for number, turn in enumerate(turns):
        before, after = np.arange(ends[number], turn), np.arange(turn + 1, ends[number + 2] + 1)
        gains: list[float] = []
        for side, other in ((before, after), (after, before)):
            away = np.abs(positions[side] - positions[turn])
            shorter = min(swings[number], swings[number + 1])
            seen = side[(away <= shorter) & (away >= _MODEL.ridge_start * shorter)]
            again = other[np.abs(positions[other][None] - positions[seen][:, None]).argmin(axis=1)]
            gains += (apart[seen, turn] - apart[seen, again]).tolist()
            mismatches += apart[seen, again].tolist()
        ridges.append(float(np.mean(gains)) if gains else 0.0)
    length = float(np.abs(np.diff(positions)).sum())
    return CourseFeatures(
        residual=log_residual,
        turned=1.0,
        turns=float(len(turns)),
        swing=float(np.log(max(min(swings), _SHORTEST_SWING))),
        weakest_ridge=min(ridges),
        mean_ridge=float(np.mean(ridges)),
        length=float(np.log(max(length, _SHORTEST_LENGTH) / max(straight_length, _SHORTEST_LENGTH))),
        mismatch=float(np.mean(mismatches)) if mismatches else _NO_MATCH,
    )


def _log_weight(features: CourseFeatures) -> float:
    return float(sum(getattr(_WEIGHTS, name) * value for name, value in vars(features).items()))


def _turn_frame(frames: NDArray[np.int64], positions: Floats, turn: int) -> float:
    """The middle of the time that the hand rests at its furthest position."""
    away = np.abs(positions - positions[turn]) > _MODEL.turn_width
    before, after = np.flatnonzero(away[:turn]), np.flatnonzero(away[turn:])
    start = int(before[-1]) + 1 if len(before) else 0
    end = turn + int(after[0]) - 1 if len(after) else len(frames) - 1
    return float(frames[start] + frames[end]) / 2


class _InPlaneTurns:
    """How far the picture turned in its plane from frame to frame, for any positions along the way."""

    def __init__(self, likeness: FrameLikeness) -> None:
        self._turn_degrees = likeness.turn_degrees
        self._alike = (2 * likeness.likeness.astype(np.float64) - 1).clip(0, 1) ** 2
        np.fill_diagonal(self._alike, 0)

    def degrees(self, positions: Floats) -> Floats:
        """(K,) in-plane turns of the frames whose differences agree best with those of alike frames at one position."""
        apart = positions[:, None] - positions[None]
        weight = np.exp(-0.5 * (apart / _MODEL.same_place_sd) ** 2) * self._alike
        count, row = len(positions), np.arange(len(positions))
        # Least squares of angle[j] - angle[i] against what the pictures say, and of an even turn from frame to frame.
        smooth = _MODEL.turn_smoothing * max(float(weight.sum()), 1e-6) / count
        matrix = np.diag(weight.sum(axis=1)) - weight
        neighbours = np.where((row == 0) | (row == count - 1), 1.0, 2.0)  # of each frame
        matrix[row, row] += smooth * neighbours + 1e-6
        matrix[row[:-1], row[1:]] -= smooth
        matrix[row[1:], row[:-1]] -= smooth
        return np.asarray(np.linalg.solve(matrix, -(weight * self._turn_degrees).sum(axis=1)))
