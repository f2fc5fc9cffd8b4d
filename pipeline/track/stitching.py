"""Tracks of one clip that are one crossing of one egg, broken by a gap."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from pipeline.settings import TrackSettings
from pipeline.track.appearance import Appearance, appearance, section_sizes
from pipeline.track.distribution import Distribution
from pipeline.track.drift import Drift
from pipeline.track.likeness import place_ratios, stage_ratios
from pipeline.track.matching import match
from pipeline.track.tracks import Track

__all__ = ["Stitched", "stitch"]

Floats = NDArray[np.float64]

# A track that ends, or begins, in the midst of its egg is broken; one that ends near the pole is complete.
_MIDST, _MIDST_WEIGHT, _MIDST_BOUND = 0.7, 10.0, 2.5
# Of the typical mean semi-axis: how far a centre wanders during a gap. On phantoms (seeds 9101, 13001, 13002) half of
# 43 broken tracks go on within 0.13 of it, and nine in ten of 185 other tracks nearby begin beyond 0.25.
_PLACE_SHARE = 0.3
_REACH = 4.0  # such semi-axes: further no picture moves during a gap


@dataclass(frozen=True)
class Stitched:
    """appearances : one per crossing, by first frame

    shifts : for follicles and for shelled eggs, true number of crossings less those listed
    """

    appearances: tuple[Appearance, ...]
    shifts: tuple[Distribution, Distribution]


def stitch(clip: int, tracks: Sequence[Track], settings: TrackSettings) -> Stitched:
    """Join the broken tracks of one clip; ``clip`` is its place in canonical order."""
    ordered = sorted(tracks, key=lambda track: (int(track.frames[0]), track.identity))
    singles = [appearance(clip, [track], settings) for track in ordered]
    follower: dict[int, int] = {}
    shifts = []
    ratios = _break_ratios(ordered, singles, settings)
    shelled = np.array([one.is_shelled for one in singles], bool)
    for kind in (False, True):
        rows = np.flatnonzero(shelled == kind)
        matching = match(ratios[np.ix_(rows, rows)], settings.broken_share, settings.reseen_weight)
        follower |= {int(rows[i]): int(rows[j]) for i, j in matching.pairs}
        shifts.append(matching.number.less_from(len(matching.pairs)))
    followers = set(follower.values())
    chains = []
    for start in range(len(ordered)):
        if start not in followers:
            chain = [start]
            while chain[-1] in follower:
                chain.append(follower[chain[-1]])
            chains.append(appearance(clip, [ordered[i] for i in chain], settings))
    return Stitched(tuple(chains), (shifts[0], shifts[1]))


def _break_ratios(tracks: Sequence[Track], singles: Sequence[Appearance], settings: TrackSettings) -> Floats:
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
    typical_gap = settings.broken_gap_frames / 4
    span = float(last.max() - first.min() + 1)
    soon = np.log(max(span / typical_gap, 1.0)) - gap / typical_gap
    possible = (gap > 0) & (gap <= settings.broken_gap_frames)
    typical = float(np.median(largest))
    ended, began = _ends(tracks, -1), _ends(tracks, 0)
    moved = _moved(tracks, ended, began, possible, typical)
    place = place_ratios(ended, began, _PLACE_SHARE * typical, moved)
    ratios = profile + soon + place + stage_ratios(singles, singles)
    return np.where(possible, ratios, -np.inf)


def _ends(tracks: Sequence[Track], end: int) -> Floats:
    return np.array([track.ellipses[end, :2] for track in tracks])


def _moved(
    tracks: Sequence[Track], ended: Floats, began: Floats, possible: NDArray[np.bool_], typical: float
) -> Floats:
    # (N, N, 2) px by which the picture moved from the end of track i to the beginning of track j; 0 if out of reach.
    drift = Drift(tracks, typical)
    moved = np.zeros((*possible.shape, 2))
    near = np.abs(ended[:, None] - began[None]).max(axis=2) < _REACH * typical
    for i, j in np.argwhere(possible & near):
        moved[i, j] = drift.between(int(tracks[i].frames[-1]), int(tracks[j].frames[0]), ended[i])
    return moved
