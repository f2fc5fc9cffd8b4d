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
from pipeline.track.appearance import Appearance, joined
from pipeline.track.distribution import Distribution, certainly, mixture
from pipeline.track.likeness import (
    chance_in_view,
    depth_ratios,
    lateral_ratios,
    order_ratios,
    place_ratios,
    places,
    size_ratios,
    stage_ratios,
)
from pipeline.track.matching import best_pairs, shared_by_place, shared_number, weights_by_place
from pipeline.track.passes import Pass
from pipeline.track.stitching import stitch
from pipeline.track.sweep import Sweep, unfold
from pipeline.track.tracks import ClipTracks

__all__ = ["Egg", "Grouping", "Member", "merge_tracks"]

Floats = NDArray[np.float64]

# Two clips may run the same way, opposite ways, or at paces that leave no common order ...
_ORDERS = ((1, 0.4), (-1, 0.4), (0, 0.2))
# Distances between the windows that are tried on either side of the expected one, up to two spreads away.
_DISTANCES = 4
# ... and the probe may be held alike in both windows, turned round, or in planes that share no direction.
_ATTITUDES = ((1, 0.5), (-1, 0.3), (0, 0.2))


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


@dataclass(frozen=True)
class _Scanned:
    """Objects of some clips, in mm if ``scaled``, lateral places from the sector's middle if ``centred``.

    order : (N,) along the sweep, 0 to 1;  reach : depth of the picture in mm, None if unknown
    """

    objects: tuple[Appearance, ...]
    order: Floats
    scaled: bool
    centred: bool
    reach: float | None
    shifts: tuple[Distribution, Distribution]


@dataclass(frozen=True)
class _Laying:
    """One way in which the objects of one scan may lie over those of another.

    ratios : (N, M) log-likelihood ratios;  order : (M,) of the second's objects;  prior : probability
    again : for the objects of either scan, probability of being in the other, None where their place does not tell
    """

    ratios: Floats
    order: Floats
    prior: float
    again: tuple[Floats, Floats] | None = None

    def weights(self) -> Floats:
        return self.ratios if self.again is None else weights_by_place(self.ratios, *self.again)

    def shared(
        self, rows: NDArray[np.int64], columns: NDArray[np.int64], share: float, weight: float
    ) -> tuple[Distribution, float]:
        """How many of some objects are in both, and the log-evidence."""
        part = self.ratios[np.ix_(rows, columns)]
        if self.again is None:
            return shared_number(part, share, weight)
        again = self.again[0][rows], self.again[1][columns]
        return shared_by_place(weights_by_place(part, *again), *again)


def merge_tracks(clips: Sequence[ClipTracks], carapace_width_mm: float | None, settings: TrackSettings) -> Grouping:
    """Group the tracks of one exam's clips into eggs. The order of ``clips`` does not matter.

    carapace_width_mm : as measured, None if unknown
    """
    ordered = sorted(clips, key=lambda clip: (_WINDOWS.get(clip.window, len(_WINDOWS)), clip.file))
    sweeps = [_sweep(number, clip, settings) for number, clip in enumerate(ordered)]
    by_window: dict[str, _Scanned] = {}
    for clip, sweep in zip(ordered, sweeps, strict=True):
        # A clip of unknown window may show any side, so each is a side of its own.
        window = clip.window or f"unknown {clip.file}"
        scanned = _scanned(sweep, clip)
        before = by_window.get(window)
        by_window[window] = scanned if before is None else _same_window(before, scanned, settings)
    whole: _Scanned | None = None
    for window, scanned in by_window.items():
        width = carapace_width_mm if window == "right" else None
        whole = scanned if whole is None else _other_window(whole, scanned, width, settings)
    if whole is None:
        return Grouping((), (certainly(0), certainly(0)), ())
    return Grouping(_eggs(whole.objects, ordered), whole.shifts, tuple(one for sweep in sweeps for one in sweep.passes))


_WINDOWS: dict[str | None, int] = {"left": 0, "right": 1}


def _sweep(number: int, clip: ClipTracks, settings: TrackSettings) -> Sweep:
    stitched = stitch(number, clip.tracks, settings)
    sweep = unfold(clip.file, stitched.appearances, 0.0, float(clip.frames), settings, clip.turns)
    follicles, shelled = (a.plus(b) for a, b in zip(stitched.shifts, sweep.shifts, strict=True))
    return replace(sweep, shifts=(follicles, shelled))


def _scanned(sweep: Sweep, clip: ClipTracks) -> _Scanned:
    order = np.array([one.position - sweep.low for one in sweep.objects]) / max(sweep.high - sweep.low, 1.0)
    objects = sweep.objects
    if clip.middle_px is not None:
        objects = tuple(one.centred(clip.middle_px) for one in objects)
    if clip.mm_per_px is not None:
        objects = tuple(one.scaled(clip.mm_per_px) for one in objects)
    reach = None if clip.mm_per_px is None or clip.reach_px is None else clip.mm_per_px * clip.reach_px
    return _Scanned(objects, order, clip.mm_per_px is not None, clip.middle_px is not None, reach, sweep.shifts)


def _same_window(first: _Scanned, second: _Scanned, settings: TrackSettings) -> _Scanned:
    likeness = _likeness(first, second, settings)
    if first.scaled and second.scaled and likeness.size:
        likeness = likeness + place_ratios(places(first.objects), places(second.objects), settings.place_spread_mm)
    layings = []
    for direction, prior in _ORDERS:
        order = second.order if direction >= 0 else 1 - second.order
        ratios = likeness + order_ratios(first.order, order) if direction and likeness.size else likeness
        layings.append(_Laying(ratios, order, prior))
    return _merged(first, second, layings, settings.same_window_reseen_share, settings)


def _other_window(
    first: _Scanned, second: _Scanned, carapace_width_mm: float | None, settings: TrackSettings
) -> _Scanned:
    ratios = _likeness(first, second, settings)
    across = np.zeros((3, *ratios.shape))
    if first.centred and second.centred and first.scaled and second.scaled and ratios.size:
        a, b = places(first.objects)[:, 0], places(second.objects)[:, 0]
        across = np.stack([lateral_ratios(a, side * b, settings.place_spread_mm) for side, _ in _ATTITUDES])
    layings = [_Laying(ratios, second.order, 1.0)]
    if carapace_width_mm is not None and first.scaled and second.scaled and ratios.size:
        layings = _opposite(first, second, ratios, carapace_width_mm, settings)
    tried = []
    for direction, order_prior in _ORDERS:
        order = second.order if direction >= 0 else 1 - second.order
        along = order_ratios(first.order, order) if direction and ratios.size else np.zeros_like(ratios)
        for (side, prior), lateral in zip(_ATTITUDES, across, strict=True):
            added = along + (lateral if side else 0.0)
            tried += [
                replace(one, ratios=one.ratios + added, order=order, prior=one.prior * order_prior * prior)
                for one in layings
            ]
    return _merged(first, second, tried, settings.other_window_reseen_share, settings)


def _opposite(
    first: _Scanned, second: _Scanned, ratios: Floats, carapace_width_mm: float, settings: TrackSettings
) -> list[_Laying]:
    # One for each distance that the windows may have.
    sizes = [np.array([one.size for one in side.objects]) for side in (first, second)]
    depths = [places(side.objects)[:, 1] for side in (first, second)]

    def again(side: int, distance: float, reach: float | None) -> Floats:
        if reach is None:
            return np.full(len(depths[side]), settings.other_window_reseen_share)
        return chance_in_view(distance - depths[side], sizes[side], reach)

    layings = []
    steps = np.arange(-_DISTANCES, _DISTANCES + 1)
    priors = np.exp(-0.5 * (2 * steps / _DISTANCES) ** 2)
    for step, prior in zip(steps, priors / priors.sum(), strict=True):
        share = settings.body_width_share + 2 * settings.body_width_spread * step / _DISTANCES
        distance = float(share) * carapace_width_mm
        by_depth = depth_ratios(depths[0], depths[1], distance, carapace_width_mm)
        chances = again(0, distance, second.reach), again(1, distance, first.reach)
        layings.append(_Laying(ratios + by_depth, second.order, float(prior), chances))
    return layings


def _likeness(first: _Scanned, second: _Scanned, settings: TrackSettings) -> Floats:
    if not first.objects or not second.objects:
        return np.zeros((len(first.objects), len(second.objects)))
    ratios = stage_ratios(first.objects, second.objects)
    if first.scaled and second.scaled:
        ratios = ratios + size_ratios(first.objects, second.objects, settings.size_spread)
    return ratios


def _merged(
    first: _Scanned,
    second: _Scanned,
    layings: Sequence[_Laying],
    share: float,
    settings: TrackSettings,
) -> _Scanned:
    kinds = [(_of_kind(first.objects, kind), _of_kind(second.objects, kind)) for kind in (False, True)]
    numbers, logs = [], []
    for laying in layings:
        found = [laying.shared(rows, columns, share, settings.reseen_weight) for rows, columns in kinds]
        numbers.append([number for number, _ in found])
        logs.append(float(np.log(laying.prior)) + sum(evidence for _, evidence in found))
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
    return _Scanned(
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
