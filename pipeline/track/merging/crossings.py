"""How two tracks of one clip lie to each other along the course of the hand.

Sections of one egg at equal positions lie at one place, once the picture is turned back, and along the course they grow
and shrink once. Sections of two eggs lie more than a radius apart, or have a waist between them.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from pipeline.track.merging.observed_object import section_sizes
from pipeline.track.probe_course import ProbeCourse
from pipeline.track.tracks import Track

__all__ = ["CrossingPair", "compare_crossings"]

Floats = NDArray[np.float64]


@dataclass(frozen=True)
class _CrossingModel:
    """Common practice, no source."""

    same_position_sd: float = 0.15  # picture differences within which two sections count as of one position
    reach: float = 2.0  # standard deviations beyond which the crossings do not overlap
    nearest_pairs: int = 3  # of sections, on either side of a gap
    profile_step: float = 0.1  # picture differences over which a size is averaged
    far: float = 1.5  # distance beyond which a pair is not looked at: no other feature makes it one egg


_MODEL = _CrossingModel()


@dataclass(frozen=True)
class CrossingPair:
    """first, second : rows of the tracks

    distance : between their sections at equal positions, in sums of both mean semi-axes; across a gap, of its ends
    gap : picture differences between the two crossings, 0 where they overlap
    waist : share by which the sections shrink between two maxima along the course, 0 to 1
    """

    first: int
    second: int
    distance: float
    gap: float
    waist: float


@dataclass(frozen=True)
class _Crossing:
    # positions : (N,), ascending;  places : (N, 2) px, picture turned back;  sizes : (N,) px
    # first_cell : of the profile;  size_sums, counts : (C,) of the sections in each cell from there on
    positions: Floats
    places: Floats
    sizes: Floats
    first_cell: int
    size_sums: Floats
    counts: Floats

    @classmethod
    def of(cls, track: Track, course: ProbeCourse) -> _Crossing:
        positions = course.position(track.frames)
        along = np.argsort(positions, kind="stable")
        places = course.turned_back(track.frames, track.ellipses[:, :2])
        positions, places, sizes = positions[along], places[along], section_sizes(track)[along]
        cells = np.floor(positions / _MODEL.profile_step).astype(np.int64)
        first = int(cells[0])
        size_sums, counts = (np.asarray(np.bincount(cells - first, each), np.float64) for each in (sizes, None))
        return cls(positions, places, sizes, first, size_sums, counts)

    def part(self, rows: slice) -> tuple[Floats, Floats, Floats]:
        """Positions, places and sizes of some sections."""
        return self.positions[rows], self.places[rows], self.sizes[rows]


def compare_crossings(
    tracks: Sequence[Track], course: ProbeCourse, possible: NDArray[np.bool_]
) -> tuple[CrossingPair, ...]:
    """Every pair of tracks that may be one egg. possible : (N, N), pairs to look at; only those with first < second"""
    crossings = [_Crossing.of(track, course) for track in tracks]
    middles = np.array([np.median(one.places, axis=0) for one in crossings]).reshape(-1, 2)
    spreads = np.array([np.abs(one.places - middle).max() for one, middle in zip(crossings, middles, strict=True)])
    largest = np.array([one.sizes.max() for one in crossings])
    reach = _MODEL.far * (largest[:, None] + largest[None]) + spreads[:, None] + spreads[None]
    near = possible & (np.abs(middles[:, None] - middles[None]).max(axis=2) < reach)
    return tuple(_compare(i, j, crossings[i], crossings[j]) for i, j in np.argwhere(np.triu(near, 1)).tolist())


def _compare(first: int, second: int, a: _Crossing, b: _Crossing) -> CrossingPair:
    lower, upper = (a, b) if a.positions[0] <= b.positions[0] else (b, a)
    gap = float(upper.positions[0] - lower.positions[-1])
    number = _MODEL.nearest_pairs
    # Across a gap the nearest pairs are among the ends.
    rows = (slice(None), slice(None)) if gap <= 0 else (slice(-number, None), slice(number))
    (positions, places, sizes), (other_positions, other_places, other_sizes) = lower.part(rows[0]), upper.part(rows[1])
    apart = np.abs(positions[:, None] - other_positions).ravel()
    step = places[:, None] - other_places
    distances = (np.hypot(step[:, :, 0], step[:, :, 1]) / (sizes[:, None] + other_sizes)).ravel()
    if apart.min() > _MODEL.reach * _MODEL.same_position_sd:
        distance = float(np.median(distances[np.argsort(apart, kind="stable")[:number]]))
    else:
        weight = np.exp(-0.5 * (apart / _MODEL.same_position_sd) ** 2)
        order = np.argsort(distances, kind="stable")
        reached = np.cumsum(weight[order])
        distance = float(distances[order[np.searchsorted(reached, reached[-1] / 2)]])
    return CrossingPair(first, second, distance, max(gap, 0.0), _waist(lower, upper))


def _waist(a: _Crossing, b: _Crossing) -> float:
    first = min(a.first_cell, b.first_cell)
    sums, counts = np.zeros((2, max(one.first_cell + len(one.counts) for one in (a, b)) - first))
    for one in (a, b):
        cells = np.s_[one.first_cell - first : one.first_cell - first + len(one.counts)]
        sums[cells] += one.size_sums
        counts[cells] += one.counts
    profile = sums[counts > 0] / counts[counts > 0]
    before, after = np.maximum.accumulate(profile), np.maximum.accumulate(profile[::-1])[::-1]
    return float((1 - profile / np.minimum(before, after)).max())
