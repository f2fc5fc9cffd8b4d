"""How unlike a detection is to what a track predicts for this frame.

All coordinates are pixels of the source frame. The distance is a negative log-likelihood up to a constant:
position relative to size, shape, overlap and stage each add their share.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from models.ellipse import overlap, to_log_matrix

__all__ = ["FORBIDDEN", "Expected", "assign", "association_costs", "common_shift"]

Floats = NDArray[np.float64]

FORBIDDEN = 1e6  # cost of a pair that cannot be one object


@dataclass(frozen=True)
class _CostModel:
    """Constants of the distance. Common practice, no source; px are those of the source frame, whatever its size."""

    shape_sd: float = 0.3  # log-axes from one frame to the next: a section near an egg's pole grows by a third a frame
    position_share: float = 0.25  # of the mean semi-axis, by which a centre moves
    overlap_weight: float = 2.0
    maximum_cost: float = 12.0  # before overlap; beyond it a pair is forbidden
    gap_tolerance: float = 0.3  # for each further frame out of sight, variances grow by this share
    minimum_stage_agreement: float = 0.05


@dataclass(frozen=True)
class _ShiftModel:
    """Constants of the common shift, likewise."""

    typical_px: float = 12.0  # most shifts are smaller
    agreement_px: float = 5.0  # two objects agree on a shift within this distance
    alike_shape_sds: float = 2.0  # pairs less alike in shape do not vote
    minimum_support: float = 1.5  # votes, 1 from each object: more than one object must agree


_COST, _SHIFT = _CostModel(), _ShiftModel()


@dataclass(frozen=True)
class Expected:
    """What L tracks predict for a frame.

    ellipses : (L, 5);  stages : (L, 3);  gaps : (L,) frames since each was last seen, from 1
    """

    ellipses: Floats
    stages: Floats
    gaps: NDArray[np.int64]


def association_costs(expected: Expected, found: Floats, stages: Floats, motion_noise_px: float) -> Floats:
    """(L, N) distance between L predicted and N found ellipses, FORBIDDEN where they cannot be one object.

    found : (N, 5);  stages : (N, 3);  motion_noise_px : unpredictable movement from frame to frame
    """
    ellipses = expected.ellipses
    if not len(ellipses) or not len(found):
        return np.full((len(ellipses), len(found)), FORBIDDEN)
    tolerance = (1.0 + _COST.gap_tolerance * (expected.gaps - 1))[:, None]
    size = np.sqrt(ellipses[:, 2] * ellipses[:, 3])[:, None]
    step = ellipses[:, None, :2] - found[None, :, :2]
    position = (step**2).sum(axis=2) / ((motion_noise_px**2 + (_COST.position_share * size) ** 2) * tolerance)
    shape = _shape_difference(ellipses, found) / (_COST.shape_sd**2 * tolerance)
    stage_agreement = np.maximum(expected.stages @ stages.T, _COST.minimum_stage_agreement)
    total = position + shape - np.log(stage_agreement)
    possible = total < _COST.maximum_cost
    # Areas of overlap are slow to compute, and matter only where there is a choice.
    rows, columns = np.flatnonzero(possible.sum(axis=1) > 1), np.flatnonzero(possible.sum(axis=0) > 1)
    if len(rows) or len(columns):
        rows = np.union1d(rows, np.flatnonzero(possible[:, columns].any(axis=1)))
        columns = np.flatnonzero(possible[rows].any(axis=0))
        apart = 1.0 - overlap(ellipses[rows], found[columns])
        total[np.ix_(rows, columns)] += _COST.overlap_weight * apart
    return np.where(possible, total, FORBIDDEN)


def common_shift(expected: Floats, found: Floats, maximum_px: float) -> Floats:
    """(2,) px by which the whole picture moved suddenly: the shift that brings most predicted objects onto found ones.

    A breath or a slip of the probe moves all objects alike. Every pair of similar shapes proposes its own shift
    and the others vote; zero unless two objects agree, because one alone may have moved by itself.
    """
    none = np.zeros(2)
    if len(expected) < 2 or len(found) < 2:
        return none
    steps = found[None, :, :2] - expected[:, None, :2]  # (L, N, 2)
    alike = _shape_difference(expected, found) < (_SHIFT.alike_shape_sds * _COST.shape_sd) ** 2
    possible = alike & ((steps**2).sum(axis=2) < maximum_px**2)
    proposals = steps[possible]  # (P, 2)
    if not len(proposals):
        return none
    offsets = steps[None] - proposals[:, None, None]  # (P, L, N, 2)
    votes = np.exp(-(offsets**2).sum(axis=3) / (2 * _SHIFT.agreement_px**2)) * alike
    support = votes.max(axis=2).sum(axis=1)
    best = int(np.argmax(support - 0.5 * (proposals**2).sum(axis=1) / _SHIFT.typical_px**2))
    if support[best] < _SHIFT.minimum_support:
        return none
    weights = votes[best]
    return np.asarray((weights[..., None] * steps).sum(axis=(0, 1)) / weights.sum())


def assign(cost: Floats) -> tuple[NDArray[np.int64], NDArray[np.int64]]:
    """Rows and columns of the one-to-one assignment with most pairs and then least cost; none FORBIDDEN."""
    if not cost.size or cost.min() >= FORBIDDEN:
        return np.zeros(0, np.int64), np.zeros(0, np.int64)
    from scipy.optimize import linear_sum_assignment  # slow to import, and a night with nothing new needs none

    rows, columns = linear_sum_assignment(cost)
    allowed = cost[rows, columns] < FORBIDDEN
    return rows[allowed].astype(np.int64), columns[allowed].astype(np.int64)


def _shape_difference(first: Floats, second: Floats) -> Floats:
    # (L, N) squared log-Euclidean distance of the outlines: the unstable angle of nearly round ones has no effect.
    a, b = to_log_matrix(first), to_log_matrix(second)
    step = a[:, None] - b[None]
    return np.asarray(step[..., 0] ** 2 + step[..., 1] ** 2 + 2 * step[..., 2] ** 2)
