"""Stitching: tracks of one clip that are one crossing of one egg, broken by a gap, become one object."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from pipeline.settings import TrackSettings
from pipeline.track.merging.by_kind import ByKind, rows_by_kind
from pipeline.track.merging.count_distribution import CountDistribution
from pipeline.track.merging.egg_matching import match
from pipeline.track.merging.observed_object import ObservedObject, observed_object, section_sizes
from pipeline.track.merging.picture_motion import PictureMotion
from pipeline.track.merging.plane_revisit import plane_revisit_ratios
from pipeline.track.merging.same_egg_likelihood import position_ratios, stage_ratios
from pipeline.track.tracks import Track

__all__ = ["StitchedTracks", "stitch"]

Floats = NDArray[np.float64]


@dataclass(frozen=True)
class _BreakModel:
    """How tracks break. Common practice, no source, where nothing else is said.

    A track that ends or begins while its egg's section is large is broken; one that ends near the pole is complete.
    """

    even_fullness: float = 0.7  # of the largest section, at the ends of the gap, that says neither
    fullness_weight: float = 10.0  # log-likelihood ratio per unit of fullness
    maximum_fullness_ratio: float = 2.5  # log-likelihood ratio
    end_sightings: int = 2  # whose mean size is that of an end
    # Of the typical mean semi-axis: how far a centre moves during a gap. On phantoms (seeds 9101, 13001, 13002) half of
    # 43 broken tracks go on within 0.13 of it, and nine in ten of 185 other tracks nearby begin beyond 0.25.
    position_share: float = 0.3
    typical_gap_frames: float = 10.0  # of a track that is lost while its section is large
    came_back_share: float = 0.15  # of broken tracks, those where the probe went away and came back
    reach: float = 4.0  # typical mean semi-axes; no picture moves further during a gap


_BREAK = _BreakModel()


@dataclass(frozen=True)
class StitchedTracks:
    """objects : one per crossing, by first frame;  count_corrections : true number of crossings minus those listed"""

    objects: tuple[ObservedObject, ...]
    count_corrections: ByKind[CountDistribution]


def stitch(clip: int, tracks: Sequence[Track], settings: TrackSettings) -> StitchedTracks:
    """Join the broken tracks of one clip; ``clip`` is its index in canonical order."""
    ordered = sorted(tracks, key=lambda track: (int(track.frames[0]), track.identity))
    singles = [observed_object(clip, [track], settings) for track in ordered]
    ratios = _break_ratios(ordered, singles, settings)
    continued_by: dict[int, int] = {}
    corrections = []
    for rows in rows_by_kind(singles):
        matching = match(ratios[np.ix_(rows, rows)], settings.fragmented_share, settings.reseen_prior_strength)
        continued_by |= {int(rows[i]): int(rows[j]) for i, j in matching.pairs}
        corrections.append(matching.number.subtracted_from(len(matching.pairs)))
    continuations = set(continued_by.values())
    objects = []
    for start in range(len(ordered)):
        if start not in continuations:
            chain = [start]
            while chain[-1] in continued_by:
                chain.append(continued_by[chain[-1]])
            objects.append(observed_object(clip, [ordered[i] for i in chain], settings))
    return StitchedTracks(tuple(objects), ByKind(*corrections))


def _break_ratios(tracks: Sequence[Track], singles: Sequence[ObservedObject], settings: TrackSettings) -> Floats:
    # (N, N) log-likelihood ratio that track j continues track i after a gap.
    if not tracks:
        return np.zeros((0, 0))
    first, last = (np.array([track.frames[end] for track in tracks]) for end in (0, -1))
    gap = first[None] - last[:, None]
    span = float(last.max() - first.min() + 1)
    possible = (gap > 0) & (gap <= settings.maximum_fragment_gap_frames)
    typical_size = float(np.median([one.size for one in singles]))
    ends, starts = _centres(tracks, -1), _centres(tracks, 0)
    near = possible & (np.abs(ends[:, None] - starts[None]).max(axis=2) < _BREAK.reach * typical_size)
    moved = _picture_motion(tracks, ends, near, typical_size)
    position = position_ratios(ends, starts, _BREAK.position_share * typical_size, moved)
    # Either the probe went on and the object was lost while its section was large, and found again soon; or the probe
    # was kicked or rocked away, possibly for long, the object left the picture like any other, and the probe came back.
    went_on = (
        _fullness_ratios(tracks, singles)
        + np.log(max(span / _BREAK.typical_gap_frames, 1.0))
        - gap / _BREAK.typical_gap_frames
    )
    came_back = plane_revisit_ratios(tracks, near) + np.log(max(span / settings.maximum_fragment_gap_frames, 1.0))
    either = np.logaddexp(
        went_on + np.log(1 - _BREAK.came_back_share),
        came_back + np.log(_BREAK.came_back_share),
    )
    return np.where(possible, either + position + stage_ratios(singles, singles), -np.inf)


def _fullness_ratios(tracks: Sequence[Track], singles: Sequence[ObservedObject]) -> Floats:
    # (N, N) from how large the sections are at the end of track i and at the beginning of track j.
    largest = np.array([one.size for one in singles])
    end_sizes, start_sizes = (
        np.array([section_sizes(track)[part].mean() for track in tracks])
        for part in (slice(-_BREAK.end_sightings, None), slice(_BREAK.end_sightings))
    )
    fullness = 0.5 * (end_sizes[:, None] + start_sizes[None]) / np.maximum(largest[:, None], largest[None])
    bound = _BREAK.maximum_fullness_ratio
    return np.asarray(np.clip(_BREAK.fullness_weight * (fullness - _BREAK.even_fullness), -bound, bound))


def _centres(tracks: Sequence[Track], row: int) -> Floats:
    return np.array([track.ellipses[row, :2] for track in tracks])


def _picture_motion(tracks: Sequence[Track], ends: Floats, near: NDArray[np.bool_], typical_size: float) -> Floats:
    # (N, N, 2) px by which the picture moved from the end of track i to the beginning of track j; 0 if not near.
    motion = PictureMotion(tracks, typical_size)
    moved = np.zeros((*near.shape, 2))
    for i, j in np.argwhere(near):
        moved[i, j] = motion.displacement(int(tracks[i].frames[-1]), int(tracks[j].frames[0]), ends[i])
    return moved
