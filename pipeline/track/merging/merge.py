"""Tracks to eggs: which tracks show the same egg, and how sure that is.

In three steps, each one-to-one and each with its own prior for how many eggs are met again: tracks broken by
a gap and passes of a returning hand within a clip; clips of one window; windows. Tracks seen together in one
frame are never joined, nor are a follicle and a shelled egg of different passes. Where size, place, order,
stage and depth decide nothing, the priors of the settings stand, and the spread of the counts says so.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from pipeline.settings import TrackSettings
from pipeline.track.merging.alignment import Laying, Scanned
from pipeline.track.merging.appearance import Appearance, joined
from pipeline.track.merging.count_distribution import Distribution, certainly, mixture
from pipeline.track.merging.matching import best_pairs
from pipeline.track.merging.passes import Pass
from pipeline.track.merging.stitching import stitch
from pipeline.track.merging.sweep_unfolding import Sweep, unfold
from pipeline.track.merging.window_alignment import other_window, same_window
from pipeline.track.tracks import ClipTracks

__all__ = ["Egg", "Grouping", "Member", "merge_tracks"]

Floats = NDArray[np.float64]


@dataclass(frozen=True)
class Member:
    """One track of an egg. file : the clip;  track : the track's identity in it."""

    file: str
    track: int


@dataclass(frozen=True)
class Egg:
    """One distinct object, egg or follicle.

    identity : from 1, by window (left, right, unknown), clip and first frame
    existence : probability that it is real;  stages : (3,) follicle, thin-shelled, calcified
    assurance : score in the best fifth of its best track's frames, 0 to 1
    """

    identity: int
    members: tuple[Member, ...]
    existence: float
    stages: Floats
    assurance: float

    @property
    def is_shelled(self) -> bool:
        return bool(self.stages[1] + self.stages[2] >= 0.5)


@dataclass(frozen=True)
class Grouping:
    """The eggs of an exam, and what their joining leaves open.

    shifts : for follicles and for shelled eggs, true number of distinct objects less those listed, if every
    track is real
    passes : of the hand over the eggs, clip by clip
    """

    eggs: tuple[Egg, ...]
    shifts: tuple[Distribution, Distribution]
    passes: tuple[Pass, ...]


def merge_tracks(clips: Sequence[ClipTracks], carapace_width_mm: float | None, settings: TrackSettings) -> Grouping:
    """Group the tracks of one exam's clips into eggs. The order of ``clips`` does not matter.

    carapace_width_mm : as measured, None if unknown
    """
    ordered = sorted(clips, key=lambda clip: (_WINDOWS.get(clip.window, len(_WINDOWS)), clip.file))
    sweeps = [_sweep(number, clip, settings) for number, clip in enumerate(ordered)]
    by_window: dict[str, Scanned] = {}
    for clip, sweep in zip(ordered, sweeps, strict=True):
        # A clip of unknown window may show any side, so each is a side of its own.
        window = clip.window or f"unknown {clip.file}"
        scanned = _scanned(sweep, clip)
        before = by_window.get(window)
        if before is not None:
            layings = same_window(before, scanned, settings)
            scanned = _merged(before, scanned, layings, settings.same_window_reseen_share, settings)
        by_window[window] = scanned
    whole: Scanned | None = None
    for window, scanned in by_window.items():
        if whole is not None:
            width = carapace_width_mm if window == "right" else None
            layings = other_window(whole, scanned, width, settings)
            scanned = _merged(whole, scanned, layings, settings.other_window_reseen_share, settings)
        whole = scanned
    if whole is None:
        return Grouping((), (certainly(0), certainly(0)), ())
    return Grouping(_eggs(whole.objects, ordered), whole.shifts, tuple(one for sweep in sweeps for one in sweep.passes))


_WINDOWS: dict[str | None, int] = {"left": 0, "right": 1}


def _sweep(number: int, clip: ClipTracks, settings: TrackSettings) -> Sweep:
    stitched = stitch(number, clip.tracks, settings)
    sweep = unfold(clip.file, stitched.appearances, 0.0, float(clip.frames), settings, clip.turns)
    follicles, shelled = (a.plus(b) for a, b in zip(stitched.shifts, sweep.shifts, strict=True))
    return replace(sweep, shifts=(follicles, shelled))


def _scanned(sweep: Sweep, clip: ClipTracks) -> Scanned:
    order = np.array([one.position - sweep.low for one in sweep.objects]) / max(sweep.high - sweep.low, 1.0)
    objects = sweep.objects
    if clip.middle_px is not None:
        objects = tuple(one.centred(clip.middle_px) for one in objects)
    if clip.mm_per_px is not None:
        objects = tuple(one.scaled(clip.mm_per_px) for one in objects)
    reach = None if clip.mm_per_px is None or clip.reach_px is None else clip.mm_per_px * clip.reach_px
    return Scanned(objects, order, clip.mm_per_px is not None, clip.middle_px is not None, reach, sweep.shifts)


def _merged(
    first: Scanned,
    second: Scanned,
    layings: Sequence[Laying],
    share: float,
    settings: TrackSettings,
) -> Scanned:
    kinds = [(_of_kind(first.objects, kind), _of_kind(second.objects, kind)) for kind in (False, True)]
    numbers, logs = [], []
    for laying in layings:
        found = [laying.shared(rows, columns, share, settings.reseen_weight) for rows, columns in kinds]
        numbers.append([number for number, _ in found])
        logs.append(laying.log_prior + sum(evidence for _, evidence in found))
    weights = np.exp(np.array(logs) - max(logs))
    weights = weights / weights.sum()
    likeliest = int(np.argmax(weights))
    weights_of_pairs, order = layings[likeliest].weights(), layings[likeliest].order
    objects, orders = list(first.objects), list(first.order)
    alone = set(range(len(second.objects)))
    shifts = []
    for number, (rows, columns) in enumerate(kinds):
        mixed = mixture([(found[number], weight) for found, weight in zip(numbers, weights, strict=True)])
        pairs = best_pairs(weights_of_pairs[np.ix_(rows, columns)], mixed.median)
        for i, j in pairs:
            objects[rows[i]] = joined(objects[rows[i]], second.objects[columns[j]], settings)
            alone.discard(int(columns[j]))
        shift = mixed.less_from(len(pairs))
        shifts.append(shift.plus(first.shifts[number]).plus(second.shifts[number]))
    for j in sorted(alone):
        objects.append(second.objects[j])
        orders.append(order[j])
    return Scanned(
        tuple(objects),
        np.array(orders),
        first.scaled and second.scaled,
        first.centred and second.centred,
        None if first.reach is None or second.reach is None else max(first.reach, second.reach),
        (shifts[0], shifts[1]),
    )


def _eggs(objects: Sequence[Appearance], clips: Sequence[ClipTracks]) -> tuple[Egg, ...]:
    first_frames = [{track.identity: int(track.frames[0]) for track in clip.tracks} for clip in clips]
    listed = []
    for one in objects:
        seen = sorted((clip, first_frames[clip][track], track) for clip, track in one.members)
        listed.append((seen, one))
    listed.sort(key=lambda entry: entry[0])
    eggs = []
    for number, (seen, one) in enumerate(listed, 1):
        members = tuple(Member(clips[clip].file, track) for clip, _, track in seen)
        eggs.append(Egg(number, members, one.existence, one.stages, one.assurance))
    return tuple(eggs)


def _of_kind(side: Sequence[Appearance], shelled: bool) -> NDArray[np.int64]:
    return np.flatnonzero(np.array([one.is_shelled for one in side], bool) == shelled)
