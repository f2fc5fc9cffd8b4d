"""The tracks of one clip to its distinct objects, along the course of the hand.

An egg is crossed anew on every pass, and a crossing may be broken. Two tracks are the same egg if their sections lie at
one place where the hand was at one position, and if they grow and shrink once along the course. Tracks seen together in
one frame are different eggs, whatever else speaks for them. Where the pictures allow several readings of the hand's
motion, tracks are grouped under each; the most likely one is listed, and the others widen the count.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.special import expit

from pipeline.settings_tables import TrackSettings
from pipeline.track.merging.by_kind import ByKind
from pipeline.track.merging.count_distribution import CountDistribution, mixture, poisson_binomial
from pipeline.track.merging.crossings import CrossingPair, compare_crossings
from pipeline.track.merging.observed_object import ObservedObject, observed_object
from pipeline.track.merging.passes import Pass, passes_of
from pipeline.track.merging.same_egg_likelihood import seen_in_same_frame
from pipeline.track.probe_course import ProbeCourse, straight_course
from pipeline.track.track_evidence import is_shelled, stage_probabilities
from pipeline.track.tracks import ClipTracks, Track

__all__ = ["FEATURES", "ClipObjects", "merge_within_clip", "pair_features"]

Floats = NDArray[np.float64]

FEATURES = ("constant", "closeness", "distance", "gap", "waist", "stage", "apart")


@dataclass(frozen=True)
class _SameEggModel:
    """Log-odds that two tracks of a clip are one egg: a sum of features with these weights.

    Learned by logistic regression on 9,893 pairs of tracks, 670 of one egg, in 378 clips of phantoms of seed 15001.
    Learned on half of the animals, they tell 310 of 320 pairs of one egg in the other half, and take 12 of 4,600 other
    pairs for one. What is not a weight is common practice, no source.
    """

    constant: float = 5.15
    closeness: float = -0.31  # logarithm of the distance
    distance: float = -9.44  # sums of mean semi-axes
    gap: float = -0.36  # picture differences
    waist: float = -4.8
    stage: float = 0.52  # logarithm of the agreement
    apart: float = -2.97  # 1 where the crossings do not overlap
    closest: float = 0.05  # sums of mean semi-axes; what is closer counts as this
    widest_gap: float = 3.0  # picture differences; what is further apart counts as this
    least_stage_agreement: float = 0.02
    impossible: float = -12.0  # of pairs too far from each other to be looked at
    maximum: float = 8.0  # either way
    negligible: float = 0.01  # probability below which another pair does not matter


_MODEL = _SameEggModel()


@dataclass(frozen=True)
class ClipObjects:
    """The distinct objects of one clip, each at its position along the course of the hand, and where the hand went.

    low, high : range of positions;  passes : in order;  count_corrections : true number of objects minus those listed
    """

    objects: tuple[ObservedObject, ...]
    low: float
    high: float
    passes: tuple[Pass, ...]
    count_corrections: ByKind[CountDistribution]


def merge_within_clip(index: int, clip: ClipTracks, settings: TrackSettings) -> ClipObjects:
    """Join the tracks of one clip; ``index`` is its place in canonical order."""
    tracks = sorted(clip.tracks, key=lambda track: (int(track.frames[0]), track.identity))
    readings = clip.courses or (straight_course(clip.frames),)
    singles = [observed_object(index, [track], readings[0], settings) for track in tracks]
    possible = ~seen_in_same_frame(singles, singles) if tracks else np.zeros((0, 0), bool)
    groupings = [_group(tracks, reading, possible, settings) for reading in readings]
    best, course = groupings[0], readings[0]
    corrections = []
    for kind in (False, True):
        listed = best.number(shelled=kind)
        parts = []
        for grouping, reading in zip(groupings, readings, strict=True):
            moved = grouping.corrections.of(shelled=kind)
            shifted = CountDistribution(moved.lowest + grouping.number(shelled=kind) - listed, moved.probabilities)
            parts.append((shifted, reading.probability))
        corrections.append(mixture(parts))
    return ClipObjects(
        objects=tuple(
            observed_object(index, [tracks[row] for row in group], course, settings) for group in best.groups
        ),
        low=float(course.positions.min()),
        high=float(course.positions.max()),
        passes=passes_of(clip.file, course, clip.frames),
        count_corrections=ByKind(*corrections),
    )


def pair_features(pair: CrossingPair, stages: Sequence[Floats]) -> Floats:
    """(7,) what says whether two tracks are one egg, in the order of `FEATURES`. stages : (3,) of every track"""
    agreement = max(float(stages[pair.first] @ stages[pair.second]), _MODEL.least_stage_agreement)
    closeness = np.log(max(pair.distance, _MODEL.closest))
    gap = min(pair.gap, _MODEL.widest_gap)
    return np.array([1.0, closeness, pair.distance, gap, pair.waist, np.log(agreement), float(pair.gap > 0)])


@dataclass(frozen=True)
class _Grouping:
    # groups : rows of tracks, each by first frame;  is_shelled : of each group
    groups: tuple[tuple[int, ...], ...]
    is_shelled: tuple[bool, ...]
    corrections: ByKind[CountDistribution]

    def number(self, *, shelled: bool) -> int:
        return sum(one == shelled for one in self.is_shelled)


def _group(
    tracks: Sequence[Track], course: ProbeCourse, possible: NDArray[np.bool_], settings: TrackSettings
) -> _Grouping:
    """Groups joined one by one, the most likely pair of groups first, as long as one egg is likelier than two."""
    stages = [stage_probabilities([track], settings) for track in tracks]
    between = np.where(possible, _MODEL.impossible, -np.inf)  # (G, G) mean log-odds between the tracks of two groups
    weights = np.array([getattr(_MODEL, name) for name in FEATURES])
    for pair in compare_crossings(tracks, course, possible):
        bounded = np.clip(weights @ pair_features(pair, stages), -_MODEL.maximum, _MODEL.maximum)
        between[pair.first, pair.second] = between[pair.second, pair.first] = bounded
    groups: list[list[int]] = [[row] for row in range(len(tracks))]
    joined: list[tuple[int, float]] = []  # a row of the group, and the probability that joining it was wrong
    while between.size:
        a, b = divmod(int(between.argmax()), len(groups))
        if between[a, b] <= 0:
            break
        joined.append((groups[a][0], float(expit(-between[a, b]))))
        # Updated group by group, so that a thousand tracks take seconds. Where any two of the tracks were seen together
        # it remains -inf, as it is of a group with itself.
        shares = np.array([len(groups[a]), len(groups[b])]) / (len(groups[a]) + len(groups[b]))
        between[a] = between[:, a] = shares @ between[[a, b]]
        between = np.delete(np.delete(between, b, axis=0), b, axis=1)
        groups[a] = sorted(groups[a] + groups[b])
        del groups[b]
    kinds = [is_shelled(stage_probabilities([tracks[row] for row in group], settings)) for group in groups]
    kind_of = {row: kind for group, kind in zip(groups, kinds, strict=True) for row in group}
    missed = _missed_joins(groups, between)
    corrections = [
        poisson_binomial([chance for row, chance in joined if kind_of[row] == kind]).plus(
            poisson_binomial([chance for row, chance in missed if kind_of[row] == kind]).subtracted_from(0)
        )
        for kind in (False, True)
    ]
    return _Grouping(tuple(map(tuple, groups)), tuple(kinds), ByKind(*corrections))


def _missed_joins(groups: Sequence[Sequence[int]], between: Floats) -> list[tuple[int, float]]:
    """A row of each group that may be the same egg as another one after all, and the probability that it is.

    between : (G, G) log-odds, symmetric
    """
    between = between.copy()
    missed = []
    while between.size and between.max() > -np.inf:
        a, b = divmod(int(between.argmax()), len(groups))
        chance = float(expit(between[a, b]))
        if chance < _MODEL.negligible:
            break
        missed.append((groups[a][0], chance))
        between[[a, b]] = between[:, [a, b]] = -np.inf
    return missed
