"""How the eggs of one clip may correspond to those of another clip of the same window, or of the opposite one.

Measurements of two windows are from 817 eggs that sweeps of 179 phantoms crossed from both (seed 14001).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from pipeline.settings_tables import TrackSettings
from pipeline.track.merging.alignment import Alignment, ScanObjects, object_ratios
from pipeline.track.merging.same_egg_likelihood import (
    depth_ratios,
    normal_log_density,
    object_positions,
    order_ratios,
    position_ratios,
    uniform_step_log_density,
    visibility_probability,
)
from pipeline.track.merging.same_place import compare_places
from pipeline.track.merging.scan_offsets import OffsetModel, OffsetSpread, find_offsets
from pipeline.track.tracks import ClipTracks

__all__ = ["opposite_window_alignments", "same_window_alignments"]

Floats = NDArray[np.float64]

# Directions of two sweeps with their prior probabilities: the same, opposite, or at paces that leave no common order
# (common practice, no source).
_DIRECTIONS = ((1, 0.4), (-1, 0.4), (0, 0.2))
# How the probe is held in both windows, likewise: alike, turned by 180 degrees, or in planes that share no direction.
_ORIENTATIONS = ((1, 0.5), (-1, 0.3), (0, 0.2))

# Log-likelihood ratio from which on pictures alone decide whether two clips of a window show one egg (common practice,
# no source).
_DECISIVE_PICTURES = 3.5


@dataclass(frozen=True)
class _OtherHold:
    """Log-odds that the probe was turned by a quarter in one of two clips, from how alike their frames are at best.

    Judgement from 120 pairs of clips of phantoms (seeds 15001 and 15002), no source.
    """

    even_likeness: float = 0.7
    slope: float = -15.0


_OTHER_HOLD = _OtherHold()

# Of a sweep's length: the offset between the orders of two sweeps, and an egg around it. Half lie within 0.05 and
# nine in ten within 0.18.
_ORDER_SPREAD = OffsetSpread(prior_mean=0.0, prior_sd=0.15, inlier_sd=0.07, outlier_sd=0.2, outlier_share=0.15)
# mm across the picture. Offsets have a standard deviation of 12; around them half lie within 2.5 and nine in ten
# within 10.
_LATERAL_SPREAD = OffsetSpread(prior_mean=0.0, prior_sd=12.0, inlier_sd=3.0, outlier_sd=10.0, outlier_share=0.15)


@dataclass(frozen=True)
class _DepthSum:
    """How exactly the depths of an egg from both windows add up to the distance between the windows.

    Half lie within 0.9 % of the body's width, nine in ten within 3 %; real bodies are given more.
    """

    inlier_sd_mm: float = 1.0  # together with ...
    inlier_sd_share: float = 0.01  # ... this share of the body's width
    outlier_sd_share: float = 0.08  # of the body's width
    outlier_share: float = 0.15


_DEPTH_SUM = _DepthSum()


def same_window_alignments(
    first: ScanObjects, second: ScanObjects, clips: Sequence[ClipTracks], settings: TrackSettings
) -> list[Alignment]:
    """The alignments of two scans from one window. clips : in canonical order, as the objects' members name them"""
    ratios = traits = object_ratios(first, second, settings)
    pictures, likeness = np.zeros(ratios.shape), None
    if first.is_in_mm and second.is_in_mm and ratios.size:
        positions = object_positions(first.objects), object_positions(second.objects)
        places = position_ratios(*positions, settings.place_sd_mm)
        same_place = compare_places(first.objects, second.objects, clips)
        pictures, likeness = same_place.ratios, same_place.likeness
        # Both are evidence from the place, so only the clearer one counts.
        ratios = ratios + np.where(np.abs(pictures) > np.abs(places), pictures, places)
    alignments = []
    for direction, prior in _DIRECTIONS:
        order = _order(second, direction)
        by_order = order_ratios(first.order, order) if direction and ratios.size else 0.0
        # Alike pictures are far more exact than size, place and order, which two sweeps rarely share.
        decided = np.where(pictures >= _DECISIVE_PICTURES, pictures, ratios + by_order)
        alignments.append(Alignment(decided, order, float(np.log(prior))))
    if likeness is not None:
        # Held across the body in one clip and along it in the other, the probe shows sections that share only depths.
        depths = depth_ratios(positions[0][:, 1], positions[1][:, 1], settings.place_sd_mm)
        log_odds = _OTHER_HOLD.slope * (likeness - _OTHER_HOLD.even_likeness)
        alignments.append(Alignment(traits + depths, second.order, log_odds))
    return alignments


def opposite_window_alignments(
    first: ScanObjects, second: ScanObjects, carapace_width_mm: float | None, settings: TrackSettings
) -> list[Alignment]:
    """The alignments of two scans from opposite windows. carapace_width_mm : None if unknown"""
    ratios = object_ratios(first, second, settings)
    is_in_mm = first.is_in_mm and second.is_in_mm
    width_mm = carapace_width_mm if is_in_mm else None
    alignments = []
    for direction, direction_prior in _DIRECTIONS:
        order = _order(second, direction)
        for orientation, orientation_prior in _ORIENTATIONS:
            traits = []
            if ratios.size and width_mm is not None:
                traits.append(_depth_trait(first, second, width_mm, settings))
            if ratios.size and direction:
                traits.append(_order_trait(first.order, order))
            if ratios.size and orientation and is_in_mm and first.is_centred and second.is_centred:
                traits.append(_lateral_trait(first, second, orientation))
            for offset in find_offsets(traits, ratios, settings.other_window_reseen_share):
                visibility = None
                if width_mm is not None:
                    # The first trait is the depth; its offset is the distance between the windows.
                    usual_mm = settings.body_width_share * width_mm
                    distance_mm = offset.values[0] if offset.values else usual_mm
                    visibility = (
                        _visibility(first, second, distance_mm, settings),
                        _visibility(second, first, distance_mm, settings),
                    )
                log_prior = float(np.log(direction_prior * orientation_prior)) + offset.log_prior
                alignments.append(Alignment(offset.ratios, order, log_prior, visibility))
    return alignments


def _order(scan: ScanObjects, direction: int) -> Floats:
    return scan.order if direction >= 0 else 1 - scan.order


def _depth_trait(first: ScanObjects, second: ScanObjects, width_mm: float, settings: TrackSettings) -> OffsetModel:
    # The depths of one egg from opposite windows add up to the distance between them.
    spread = OffsetSpread(
        prior_mean=settings.body_width_share * width_mm,
        prior_sd=settings.body_width_share_sd * width_mm,
        inlier_sd=float(np.hypot(_DEPTH_SUM.inlier_sd_mm, _DEPTH_SUM.inlier_sd_share * width_mm)),
        outlier_sd=_DEPTH_SUM.outlier_sd_share * width_mm,
        outlier_share=_DEPTH_SUM.outlier_share,
    )
    a, b = object_positions(first.objects)[:, 1], -object_positions(second.objects)[:, 1]
    return _normal_trait(a, b, spread, minimum_sd=spread.outlier_sd)


def _lateral_trait(first: ScanObjects, second: ScanObjects, orientation: int) -> OffsetModel:
    a, b = object_positions(first.objects)[:, 0], orientation * object_positions(second.objects)[:, 0]
    return _normal_trait(a, b, _LATERAL_SPREAD, minimum_sd=_LATERAL_SPREAD.prior_sd)


def _order_trait(first: Floats, second: Floats) -> OffsetModel:
    step = first[:, None] - second[None]
    return OffsetModel(step, uniform_step_log_density(step), _ORDER_SPREAD)


def _normal_trait(first: Floats, second: Floats, spread: OffsetSpread, *, minimum_sd: float) -> OffsetModel:
    """A trait of objects at (N,) and (M,) coordinates that are scattered normally, with at least ``minimum_sd``."""
    step = first[:, None] - second[None]
    sd = float(np.sqrt(first.var() + second.var() + minimum_sd**2))
    return OffsetModel(step, normal_log_density(step - first.mean() + second.mean(), sd), spread)


def _visibility(scan: ScanObjects, other: ScanObjects, distance_mm: float, settings: TrackSettings) -> Floats:
    """(N,) probability that the other window shows the objects of this one. distance_mm : between the windows"""
    if other.imaging_depth_mm is None or not scan.objects:
        return np.full(len(scan.objects), settings.other_window_reseen_share)
    depths_from_other = distance_mm - object_positions(scan.objects)[:, 1]
    sizes = np.array([one.size for one in scan.objects])
    return visibility_probability(depths_from_other, sizes, other.imaging_depth_mm)
