"""The ways in which the eggs of one clip may lie over those of another of the same window, or of the other one.

What is said of two windows was measured on 817 eggs that sweeps of 179 phantoms crossed from both (seed 14001).
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from pipeline.settings import TrackSettings
from pipeline.track.merging.alignment import Alignment, ScanObjects, object_ratios
from pipeline.track.merging.same_egg_likelihood import (
    normal_log_density,
    object_positions,
    order_ratios,
    place_ratios,
    visibility_probability,
)
from pipeline.track.merging.scan_offsets import OffsetModel, find_offsets

__all__ = ["opposite_window_alignments", "same_window_alignments"]

Floats = NDArray[np.float64]

# Two clips may run the same way, opposite ways, or at paces that leave no common order ...
_ORDERS = ((1, 0.4), (-1, 0.4), (0, 0.2))
# ... and the probe may be held alike in both windows, turned round, or in planes that share no direction.
_ATTITUDES = ((1, 0.5), (-1, 0.3), (0, 0.2))

# Of a sweep's length: the offset of one hand's order to the other's, and an egg around it. Half come within 0.05 and
# nine in ten within 0.18.
_ORDER_SPREAD, _ORDER_NEAR, _ORDER_FAR, _ORDER_FAR_SHARE = 0.15, 0.07, 0.2, 0.15
# mm across the picture. Offsets have a deviation of 12; around them half come within 2.5 and nine in ten within 10.
_LATERAL_SPREAD, _LATERAL_NEAR, _LATERAL_FAR, _LATERAL_FAR_SHARE = 12.0, 3.0, 10.0, 0.15
# How well depths add up to one sum: half within 0.9 % of the body's width, nine in ten within 3 %; bodies of flesh are
# given more.
_DEPTH_NEAR_MM, _DEPTH_NEAR, _DEPTH_FAR, _DEPTH_FAR_SHARE = 1.0, 0.01, 0.08, 0.15


def same_window_alignments(first: ScanObjects, second: ScanObjects, settings: TrackSettings) -> list[Alignment]:
    """Of two scans from one window."""
    alike = object_ratios(first, second, settings)
    if first.is_in_mm and second.is_in_mm and alike.size:
        alike = alike + place_ratios(
            object_positions(first.objects), object_positions(second.objects), settings.place_sd_mm
        )
    alignments = []
    for direction, prior in _ORDERS:
        order = _run(second, direction)
        ratios = alike + order_ratios(first.order, order) if direction and alike.size else alike
        alignments.append(Alignment(ratios, order, float(np.log(prior))))
    return alignments


def opposite_window_alignments(
    first: ScanObjects, second: ScanObjects, carapace_width_mm: float | None, settings: TrackSettings
) -> list[Alignment]:
    """Of two scans from opposite windows. carapace_width_mm : None if unknown"""
    alike = object_ratios(first, second, settings)
    scaled = first.is_in_mm and second.is_in_mm
    width = carapace_width_mm if scaled else None
    alignments = []
    for direction, order_prior in _ORDERS:
        order = _run(second, direction)
        for side, side_prior in _ATTITUDES:
            traits = []
            if alike.size and width is not None:
                traits.append(_by_depth(first, second, width, settings))
            if alike.size and direction:
                traits.append(_by_order(first.order, order))
            if alike.size and side and scaled and first.is_centred and second.is_centred:
                traits.append(
                    _across(object_positions(first.objects)[:, 0], side * object_positions(second.objects)[:, 0])
                )
            for offset in find_offsets(traits, alike, settings.other_window_reseen_share):
                again = None
                if width is not None:
                    usual = settings.body_width_share * width
                    distance = offset.values[0] if offset.values else usual
                    again = _again(first, second, distance, settings), _again(second, first, distance, settings)
                prior = float(np.log(order_prior * side_prior)) + offset.log_prior
                alignments.append(Alignment(offset.ratios, order, prior, again))
    return alignments


def _run(second: ScanObjects, direction: int) -> Floats:
    return second.order if direction >= 0 else 1 - second.order


def _by_depth(first: ScanObjects, second: ScanObjects, width: float, settings: TrackSettings) -> OffsetModel:
    # Depths from opposite windows add up, for one egg, to the distance between them.
    near, far = float(np.hypot(_DEPTH_NEAR_MM, _DEPTH_NEAR * width)), _DEPTH_FAR * width
    step, different = _steps(object_positions(first.objects)[:, 1], -object_positions(second.objects)[:, 1], far)
    usual, spread = settings.body_width_share * width, settings.body_width_share_sd * width
    return OffsetModel(step, different, usual, spread, near, far, _DEPTH_FAR_SHARE)


def _across(first: Floats, second: Floats) -> OffsetModel:
    step, different = _steps(first, second, _LATERAL_SPREAD)
    return OffsetModel(step, different, 0.0, _LATERAL_SPREAD, _LATERAL_NEAR, _LATERAL_FAR, _LATERAL_FAR_SHARE)


def _by_order(first: Floats, second: Floats) -> OffsetModel:
    step = first[:, None] - second[None]
    different = np.log(np.maximum(1 - np.abs(step), 0.1))  # two independent uniform places
    return OffsetModel(step, different, 0.0, _ORDER_SPREAD, _ORDER_NEAR, _ORDER_FAR, _ORDER_FAR_SHARE)


def _steps(first: Floats, second: Floats, least: float) -> tuple[Floats, Floats]:
    """From places (N,) to places (M,), and their log-density if any two are different objects of these clouds."""
    step = first[:, None] - second[None]
    broad = float(np.sqrt(first.var() + second.var() + least**2))
    return step, normal_log_density(step - first.mean() + second.mean(), broad)


def _again(side: ScanObjects, other: ScanObjects, distance: float, settings: TrackSettings) -> Floats:
    """(N,) probability that the other window shows the objects of this one, the windows being so far apart."""
    if other.imaging_depth_mm is None or not side.objects:
        return np.full(len(side.objects), settings.other_window_reseen_share)
    sizes = np.array([one.size for one in side.objects])
    return visibility_probability(distance - object_positions(side.objects)[:, 1], sizes, other.imaging_depth_mm)
