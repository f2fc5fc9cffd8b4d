"""Tracks of one clip that are one crossing of one egg, broken by a gap."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from pipeline.settings import TrackSettings
from pipeline.track.merging.by_kind import ByKind
from pipeline.track.merging.count_distribution import CountDistribution
from pipeline.track.merging.egg_matching import match
from pipeline.track.merging.observed_object import ObservedObject, observed_object, section_sizes
from pipeline.track.merging.picture_motion import PictureMotion
from pipeline.track.merging.plane_revisit import plane_return_ratios
from pipeline.track.merging.same_egg_likelihood import place_ratios, stage_ratios
from pipeline.track.tracks import Track

__all__ = ["StitchedTracks", "stitch"]

Floats = NDArray[np.float64]

# A track that ends, or begins, in the midst of its egg is broken; one that ends near the pole is complete.
_MIDST, _MIDST_WEIGHT, _MIDST_BOUND = 0.7, 10.0, 2.5
# Of the typical mean semi-axis: how far a centre wanders during a gap. On phantoms (seeds 9101, 13001, 13002) half of
# 43 broken tracks go on within 0.13 of it, and nine in ten of 185 other tracks nearby begin beyond 0.25.
_PLACE_SHARE = 0.3
_TYPICAL_GAP = 10.0  # frames, of a track that is lost in the midst of its egg
_CAME_BACK = 0.15  # of broken tracks, those whose hand went away and came back, if nothing in view tells
_REACH = 4.0  # such semi-axes: further no picture moves during a gap


@dataclass(frozen=True)
class StitchedTracks:
    """objects : one per crossing, by first frame

    count_corrections : true number of crossings less those listed
    """

    objects: tuple[ObservedObject, ...]
    count_corrections: ByKind[CountDistribution]


def stitch(clip: int, tracks: Sequence[Track], settings: TrackSettings) -> StitchedTracks:
    """Join the broken tracks of one clip; ``clip`` is its place in canonical order."""
    ordered = sorted(tracks, key=lambda track: (int(track.frames[0]), track.identity))
    singles = [observed_object(clip, [track], settings) for track in ordered]
    follower: dict[int, int] = {}
    corrections: dict[bool, CountDistribution] = {}
    ratios = _break_ratios(ordered, singles, settings)
    shelled = np.array([one.is_shelled for one in singles], bool)
    for kind in (False, True):
        rows = np.flatnonzero(shelled == kind)
        matching = match(ratios[np.ix_(rows, rows)], settings.fragmented_share, settings.reseen_prior_strength)
        follower |= {int(rows[i]): int(rows[j]) for i, j in matching.pairs}
        corrections[kind] = matching.number.subtracted_from(len(matching.pairs))
    followers = set(follower.values())
    chains = []
    for start in range(len(ordered)):
        if start not in followers:
            chain = [start]
            while chain[-1] in follower:
                chain.append(follower[chain[-1]])
            chains.append(observed_object(clip, [ordered[i] for i in chain], settings))
    return StitchedTracks(tuple(chains), ByKind(shelled=corrections[True], follicles=corrections[False]))


def _break_ratios(tracks: Sequence[Track], singles: Sequence[ObservedObject], settings: TrackSettings) -> Floats:
    # (N, N) log-likelihood ratio that track j goes on where track i broke off.
    if not tracks:
        return np.zeros((0, 0))
    first, last = (np.array([track.frames[end] for track in tracks]) for end in (0, -1))
    gap = first[None] - last[:, None]
    largest = np.array([one.size for one in singles])
    starts = np.array([section_sizes(track)[:2].mean() for track in tracks])
    ends = np.array([section_sizes(track)[-2:].mean() for track in tracks])
    peak = np.maximum(largest[:, None], largest[None])
    fullness = 0.5 * (ends[:, None] + starts[None]) / peak
    profile = np.clip(_MIDST_WEIGHT * (fullness - _MIDST), -_MIDST_BOUND, _MIDST_BOUND)
    span = float(last.max() - first.min() + 1)
    possible = (gap > 0) & (gap <= settings.maximum_fragment_gap_frames)
    typical = float(np.median(largest))
    ended, began = _ends(tracks, -1), _ends(tracks, 0)
    near = possible & (np.abs(ended[:, None] - began[None]).max(axis=2) < _REACH * typical)
    moved = _moved(tracks, ended, near, typical)
    place = place_ratios(ended, began, _PLACE_SHARE * typical, moved)
    # Either the hand went on and the object was lost in its midst, and soon found again; or the hand was kicked or
    # rocked away, be it for long, and the object left the picture like any other, and the hand came back.
    went_on = profile + np.log(max(span / _TYPICAL_GAP, 1.0)) - gap / _TYPICAL_GAP
    came_back = plane_return_ratios(tracks, near) + np.log(max(span / settings.maximum_fragment_gap_frames, 1.0))
    either = np.logaddexp(went_on + np.log(1 - _CAME_BACK), came_back + np.log(_CAME_BACK))
    ratios = either + place + stage_ratios(singles, singles)
    return np.where(possible, ratios, -np.inf)


def _ends(tracks: Sequence[Track], end: int) -> Floats:
    return np.array([track.ellipses[end, :2] for track in tracks])


def _moved(tracks: Sequence[Track], ended: Floats, near: NDArray[np.bool_], typical: float) -> Floats:
    # (N, N, 2) px by which the picture moved from the end of track i to the beginning of track j; 0 if out of reach.
    drift = PictureMotion(tracks, typical)
    moved = np.zeros((*near.shape, 2))
    for i, j in np.argwhere(near):
        moved[i, j] = drift.displacement(int(tracks[i].frames[-1]), int(tracks[j].frames[0]), ended[i])
    return moved
