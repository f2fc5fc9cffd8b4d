"""Tracks to eggs: which tracks show the same egg, and how sure that is.

There are three steps: within a clip, along the course of the hand (`within_clip`); clips of one window; the windows.
The last two are one-to-one, each with its own prior for how many eggs are seen again. Tracks seen together in one frame
are never joined, nor are a follicle and a shelled egg of different clips. Where size, position, order, stage and depth
decide nothing, the priors of the settings remain, and the width of the counts' distribution shows it.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from pipeline.settings_tables import TrackSettings
from pipeline.track.merging.alignment import Alignment, ScanObjects
from pipeline.track.merging.by_kind import ByKind, rows_by_kind
from pipeline.track.merging.count_distribution import CountDistribution, mixture, point_mass
from pipeline.track.merging.egg_matching import best_pairs
from pipeline.track.merging.observed_object import ObservedObject, merge_objects
from pipeline.track.merging.passes import Pass
from pipeline.track.merging.window_alignment import opposite_window_alignments, same_window_alignments
from pipeline.track.merging.within_clip import ClipObjects, merge_within_clip
from pipeline.track.track_evidence import is_shelled
from pipeline.track.tracks import ClipTracks

__all__ = ["Egg", "EggTrack", "Grouping", "merge_tracks"]

Floats = NDArray[np.float64]

_SHORTEST_SWEEP = 0.1  # picture differences; a shorter one has no order (common practice, no source)
_WINDOW_ORDER: dict[str | None, int] = {"left": 0, "right": 1}


@dataclass(frozen=True)
class EggTrack:
    """One track of an egg. file : the clip;  track : the track's identity in it"""

    file: str
    track: int


@dataclass(frozen=True)
class Egg:
    """One distinct object, egg or follicle.

    identity : from 1, by window (left, right, unknown), clip and first frame
    existence : probability that it is real;  stages : (3,) follicle, thin-shelled, calcified
    upper_score : the score that the best fifth of its best track's frames reach, 0 to 1
    """

    identity: int
    members: tuple[EggTrack, ...]
    existence: float
    stages: Floats
    upper_score: float

    @property
    def is_shelled(self) -> bool:
        return is_shelled(self.stages)


@dataclass(frozen=True)
class Grouping:
    """The eggs of an exam, and what remains uncertain about how tracks were merged.

    count_corrections : true number of distinct objects minus those listed, if every track is real
    passes : of the probe over the eggs, clip by clip
    """

    eggs: tuple[Egg, ...]
    count_corrections: ByKind[CountDistribution]
    passes: tuple[Pass, ...]


def merge_tracks(clips: Sequence[ClipTracks], carapace_width_mm: float | None, settings: TrackSettings) -> Grouping:
    """Group the tracks of one exam's clips into eggs. The order of ``clips`` does not matter.

    carapace_width_mm : as measured, None if unknown
    """
    ordered = sorted(clips, key=lambda clip: (_WINDOW_ORDER.get(clip.window, len(_WINDOW_ORDER)), clip.file))
    sweeps = [merge_within_clip(index, clip, settings) for index, clip in enumerate(ordered)]
    by_window: dict[str, ScanObjects] = {}
    for clip, sweep in zip(ordered, sweeps, strict=True):
        # A clip of unknown window may show any side, so each of them counts as a window of its own.
        window = clip.window or f"unknown {clip.file}"
        scan = _scan_objects(sweep, clip)
        earlier = by_window.get(window)
        if earlier is not None:
            alignments = same_window_alignments(earlier, scan, ordered, settings)
            scan = _merge_scans(earlier, scan, alignments, settings.same_window_reseen_share, settings)
        by_window[window] = scan
    exam: ScanObjects | None = None
    for window, scan in by_window.items():
        if exam is not None:
            width = carapace_width_mm if window == "right" else None
            alignments = opposite_window_alignments(exam, scan, width, settings)
            scan = _merge_scans(exam, scan, alignments, settings.other_window_reseen_share, settings)
        exam = scan
    if exam is None:
        return Grouping((), ByKind(point_mass(0), point_mass(0)), ())
    passes = tuple(one for sweep in sweeps for one in sweep.passes)
    return Grouping(_eggs(exam.objects, ordered), exam.count_corrections, passes)


def _scan_objects(sweep: ClipObjects, clip: ClipTracks) -> ScanObjects:
    objects, centre_px, mm_per_px = sweep.objects, clip.sector_centre_x_px, clip.mm_per_px
    order = np.array([one.position - sweep.low for one in objects]) / max(sweep.high - sweep.low, _SHORTEST_SWEEP)
    if centre_px is not None:
        objects = tuple(one.relative_to_centre(centre_px) for one in objects)
    if mm_per_px is not None:
        objects = tuple(one.in_mm(mm_per_px) for one in objects)
    depth_px = clip.imaging_depth_px
    return ScanObjects(
        objects=objects,
        order=order,
        is_in_mm=mm_per_px is not None,
        is_centred=centre_px is not None,
        imaging_depth_mm=None if mm_per_px is None or depth_px is None else mm_per_px * depth_px,
        count_corrections=sweep.count_corrections,
    )


def _merge_scans(
    first: ScanObjects,
    second: ScanObjects,
    alignments: Sequence[Alignment],
    share: float,
    settings: TrackSettings,
) -> ScanObjects:
    """Two scans as one. share : expected share of objects that are in both

    How many are in both is averaged over all alignments; which ones is decided by the most likely alignment.
    """
    kinds = list(zip(rows_by_kind(first.objects), rows_by_kind(second.objects), strict=True))
    shared_by_alignment, log_weights = [], []
    for alignment in alignments:
        shared = [
            alignment.shared_count(rows, columns, share, settings.reseen_prior_strength) for rows, columns in kinds
        ]
        shared_by_alignment.append([number for number, _ in shared])
        log_weights.append(alignment.log_prior + sum(evidence for _, evidence in shared))
    weights = np.exp(np.array(log_weights) - max(log_weights))
    weights = weights / weights.sum()
    best = alignments[int(np.argmax(weights))]
    pair_weights = best.pair_weights()
    objects, orders = list(first.objects), list(first.order)
    unpaired = set(range(len(second.objects)))
    corrections = []
    for kind, (rows, columns) in enumerate(kinds):
        shared_count = mixture([(shared[kind], w) for shared, w in zip(shared_by_alignment, weights, strict=True)])
        pairs = best_pairs(pair_weights[np.ix_(rows, columns)], shared_count.median)
        for i, j in pairs:
            objects[rows[i]] = merge_objects(objects[rows[i]], second.objects[columns[j]], settings)
            unpaired.discard(int(columns[j]))
        own_correction = shared_count.subtracted_from(len(pairs))
        corrections.append(own_correction.plus(first.count_corrections[kind]).plus(second.count_corrections[kind]))
    for j in sorted(unpaired):
        objects.append(second.objects[j])
        orders.append(best.order[j])
    depths = first.imaging_depth_mm, second.imaging_depth_mm
    return ScanObjects(
        objects=tuple(objects),
        order=np.array(orders),
        is_in_mm=first.is_in_mm and second.is_in_mm,
        is_centred=first.is_centred and second.is_centred,
        imaging_depth_mm=None if depths[0] is None or depths[1] is None else max(depths[0], depths[1]),
        count_corrections=ByKind(*corrections),
    )


def _eggs(objects: Sequence[ObservedObject], clips: Sequence[ClipTracks]) -> tuple[Egg, ...]:
    first_frames = [{track.identity: int(track.frames[0]) for track in clip.tracks} for clip in clips]
    listed = []
    for one in objects:
        members = sorted((clip, first_frames[clip][track], track) for clip, track in one.members)
        listed.append((members, one))
    listed.sort(key=lambda entry: entry[0])
    return tuple(
        Egg(
            identity=number,
            members=tuple(EggTrack(clips[clip].file, track) for clip, _, track in members),
            existence=one.existence,
            stages=one.stages,
            upper_score=one.upper_score,
        )
        for number, (members, one) in enumerate(listed, 1)
    )
