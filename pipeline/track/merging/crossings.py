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
    far: float = 6.0  # distance beyond which a pair is not looked at


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
    # positions : (N,);  places : (N, 2) px, picture turned back;  sizes : (N,) px
    positions: Floats
    places: Floats
    sizes: Floats

    @classmethod
    def of(cls, track: Track, course: ProbeCourse) -> _Crossing:
        return cls(
            course.position(track.frames), course.turned_back(track.frames, track.ellipses[:, :2]), section_sizes(track)
        )


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
    apart = np.abs(a.positions[:, None] - b.positions[None])
    step = np.linalg.norm(a.places[:, None] - b.places[None], axis=2)
    distances = step / (a.sizes[:, None] + b.sizes[None])
    low, high = max(a.positions.min(), b.positions.min()), min(a.positions.max(), b.positions.max())
    if apart.min() > _MODEL.reach * _MODEL.same_position_sd:
        nearest = np.argsort(apart, axis=None, kind="stable")[: _MODEL.nearest_pairs]
        distance = float(np.median(distances.ravel()[nearest]))
    else:
        weight = np.exp(-0.5 * (apart / _MODEL.same_position_sd) ** 2).ravel()
        order = np.argsort(distances, axis=None, kind="stable")
        reached = np.cumsum(weight[order])
        distance = float(distances.ravel()[order[np.searchsorted(reached, reached[-1] / 2)]])
    return CrossingPair(first, second, distance, max(float(low - high), 0.0), _waist(a, b))


def _waist(a: _Crossing, b: _Crossing) -> float:
    positions, sizes = np.concatenate([a.positions, b.positions]), np.concatenate([a.sizes, b.sizes])
    _, cells = np.unique(np.floor(positions / _MODEL.profile_step), return_inverse=True)
    profile = np.bincount(cells, sizes) / np.bincount(cells)
    before, after = np.maximum.accumulate(profile), np.maximum.accumulate(profile[::-1])[::-1]
    return float((1 - profile / np.minimum(before, after)).max())
