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
from pipeline.track.merging.alignment import Alignment, ScanObjects
from pipeline.track.merging.by_kind import ByKind
from pipeline.track.merging.count_distribution import CountDistribution, mixture, point_mass
from pipeline.track.merging.egg_matching import best_pairs
from pipeline.track.merging.observed_object import ObservedObject, merge_objects
from pipeline.track.merging.pass_merging import Sweep, merge_passes
from pipeline.track.merging.passes import Pass
from pipeline.track.merging.stitching import stitch
from pipeline.track.merging.window_alignment import opposite_window_alignments, same_window_alignments
from pipeline.track.tracks import ClipTracks

__all__ = ["Egg", "EggTrack", "Grouping", "merge_tracks"]

Floats = NDArray[np.float64]


@dataclass(frozen=True)
class EggTrack:
    """One track of an egg. file : the clip;  track : the track's identity in it."""

    file: str
    track: int


@dataclass(frozen=True)
class Egg:
    """One distinct object, egg or follicle.

    identity : from 1, by window (left, right, unknown), clip and first frame
    existence : probability that it is real;  stages : (3,) follicle, thin-shelled, calcified
    upper_score : score in the best fifth of its best track's frames, 0 to 1
    """

    identity: int
    members: tuple[EggTrack, ...]
    existence: float
    stages: Floats
    upper_score: float

    @property
    def is_shelled(self) -> bool:
        return bool(self.stages[1] + self.stages[2] >= 0.5)


@dataclass(frozen=True)
class Grouping:
    """The eggs of an exam, and what their joining leaves open.

    count_corrections : true number of distinct objects less those listed, if every track is real
    passes : of the hand over the eggs, clip by clip
    """

    eggs: tuple[Egg, ...]
    count_corrections: ByKind[CountDistribution]
    passes: tuple[Pass, ...]


def merge_tracks(clips: Sequence[ClipTracks], carapace_width_mm: float | None, settings: TrackSettings) -> Grouping:
    """Group the tracks of one exam's clips into eggs. The order of ``clips`` does not matter.

    carapace_width_mm : as measured, None if unknown
    """
    ordered = sorted(clips, key=lambda clip: (_WINDOWS.get(clip.window, len(_WINDOWS)), clip.file))
    sweeps = [_sweep(number, clip, settings) for number, clip in enumerate(ordered)]
    by_window: dict[str, ScanObjects] = {}
    for clip, sweep in zip(ordered, sweeps, strict=True):
        # A clip of unknown window may show any side, so each is a side of its own.
        window = clip.window or f"unknown {clip.file}"
        scanned = _scanned(sweep, clip)
        before = by_window.get(window)
        if before is not None:
            alignments = same_window_alignments(before, scanned, settings)
            scanned = _merged(before, scanned, alignments, settings.same_window_reseen_share, settings)
        by_window[window] = scanned
    whole: ScanObjects | None = None
    for window, scanned in by_window.items():
        if whole is not None:
            width = carapace_width_mm if window == "right" else None
            alignments = opposite_window_alignments(whole, scanned, width, settings)
            scanned = _merged(whole, scanned, alignments, settings.other_window_reseen_share, settings)
        whole = scanned
    if whole is None:
        return Grouping((), ByKind(shelled=point_mass(0), follicles=point_mass(0)), ())
    return Grouping(
        _eggs(whole.objects, ordered), whole.count_corrections, tuple(one for sweep in sweeps for one in sweep.passes)
    )


_WINDOWS: dict[str | None, int] = {"left": 0, "right": 1}


def _sweep(number: int, clip: ClipTracks, settings: TrackSettings) -> Sweep:
    stitched = stitch(number, clip.tracks, settings)
    sweep = merge_passes(clip.file, stitched.objects, 0.0, float(clip.frames), settings, clip.turns)
    broken, returned = stitched.count_corrections, sweep.count_corrections
    corrections = ByKind(
        shelled=broken.shelled.plus(returned.shelled), follicles=broken.follicles.plus(returned.follicles)
    )
    return replace(sweep, count_corrections=corrections)


def _scanned(sweep: Sweep, clip: ClipTracks) -> ScanObjects:
    order = np.array([one.position - sweep.low for one in sweep.objects]) / max(sweep.high - sweep.low, 1.0)
    objects = sweep.objects
    if clip.sector_centre_x_px is not None:
        objects = tuple(one.relative_to_centre(clip.sector_centre_x_px) for one in objects)
    if clip.mm_per_px is not None:
        objects = tuple(one.in_mm(clip.mm_per_px) for one in objects)
    reach = None if clip.mm_per_px is None or clip.imaging_depth_px is None else clip.mm_per_px * clip.imaging_depth_px
    return ScanObjects(
        objects, order, clip.mm_per_px is not None, clip.sector_centre_x_px is not None, reach, sweep.count_corrections
    )


def _merged(
    first: ScanObjects,
    second: ScanObjects,
    alignments: Sequence[Alignment],
    share: float,
    settings: TrackSettings,
) -> ScanObjects:
    kinds = [(_of_kind(first.objects, kind), _of_kind(second.objects, kind)) for kind in (False, True)]
    numbers, logs = [], []
    for alignment in alignments:
        found = [
            alignment.shared_count(rows, columns, share, settings.reseen_prior_strength) for rows, columns in kinds
        ]
        numbers.append([number for number, _ in found])
        logs.append(alignment.log_prior + sum(evidence for _, evidence in found))
    weights = np.exp(np.array(logs) - max(logs))
    weights = weights / weights.sum()
    likeliest = int(np.argmax(weights))
    weights_of_pairs, order = alignments[likeliest].pair_weights(), alignments[likeliest].order
    objects, orders = list(first.objects), list(first.order)
    alone = set(range(len(second.objects)))
    corrections: dict[bool, CountDistribution] = {}
    for number, (rows, columns) in enumerate(kinds):
        kind = bool(number)
        mixed = mixture([(found[number], weight) for found, weight in zip(numbers, weights, strict=True)])
        pairs = best_pairs(weights_of_pairs[np.ix_(rows, columns)], mixed.median)
        for i, j in pairs:
            objects[rows[i]] = merge_objects(objects[rows[i]], second.objects[columns[j]], settings)
            alone.discard(int(columns[j]))
        shift = mixed.subtracted_from(len(pairs))
        corrections[kind] = shift.plus(first.count_corrections.of(shelled=kind)).plus(
            second.count_corrections.of(shelled=kind)
        )
    for j in sorted(alone):
        objects.append(second.objects[j])
        orders.append(order[j])
    return ScanObjects(
        tuple(objects),
        np.array(orders),
        first.is_in_mm and second.is_in_mm,
        first.is_centred and second.is_centred,
        None
        if first.imaging_depth_mm is None or second.imaging_depth_mm is None
        else max(first.imaging_depth_mm, second.imaging_depth_mm),
        ByKind(shelled=corrections[True], follicles=corrections[False]),
    )


def _eggs(objects: Sequence[ObservedObject], clips: Sequence[ClipTracks]) -> tuple[Egg, ...]:
    first_frames = [{track.identity: int(track.frames[0]) for track in clip.tracks} for clip in clips]
    listed = []
    for one in objects:
        seen = sorted((clip, first_frames[clip][track], track) for clip, track in one.members)
        listed.append((seen, one))
    listed.sort(key=lambda entry: entry[0])
    eggs = []
    for number, (seen, one) in enumerate(listed, 1):
        members = tuple(EggTrack(clips[clip].file, track) for clip, _, track in seen)
        eggs.append(Egg(number, members, one.existence, one.stages, one.upper_score))
    return tuple(eggs)


def _of_kind(side: Sequence[ObservedObject], shelled: bool) -> NDArray[np.int64]:
    return np.flatnonzero(np.array([one.is_shelled for one in side], bool) == shelled)
