"""How unlike a detection is to what a track leads one to expect in this frame.

All coordinates are pixels of the source frame. The distance is a negative log-likelihood up to a constant:
place relative to size, shape, overlap and stage each add their share.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray
from scipy.optimize import linear_sum_assignment

from models.ellipse import overlap, to_log_matrix

__all__ = ["FORBIDDEN", "assign", "association_costs", "common_shift"]

Floats = NDArray[np.float64]

FORBIDDEN = 1e6

# Spread of an outline's log-axes from one frame to the next (common practice, no source): a section
# near an egg's pole grows by a third a frame.
_SHAPE_SPREAD = 0.3
_PLACE_SHARE = 0.25  # of the mean semi-axis
_OVERLAP_WEIGHT = 2.0
_GATE = 12.0
# Frames are shaken by less than this most of the time, px.
_TYPICAL_SHAKE_PX = 12.0
_AGREEMENT_PX = 5.0


def association_costs(
    expected: Floats,
    expected_stages: Floats,
    gaps: NDArray[np.int64],
    found: Floats,
    stages: Floats,
    motion_noise_px: float,
) -> Floats:
    """(L, N) distance between L expected and N found ellipses, FORBIDDEN where no one object could do that.

    expected : (L, 5);  expected_stages : (L, 3);  gaps : (L,) frames since each was last seen, from 1
    found : (N, 5);  stages : (N, 3);  motion_noise_px : unforeseen movement from frame to frame
    """
    if not len(expected) or not len(found):
        return np.full((len(expected), len(found)), FORBIDDEN)
    patience = (1.0 + 0.3 * (gaps - 1))[:, None]
    size = np.sqrt(expected[:, 2] * expected[:, 3])[:, None]
    step = expected[:, None, :2] - found[None, :, :2]
    place = (step**2).sum(axis=2) / ((motion_noise_px**2 + (_PLACE_SHARE * size) ** 2) * patience)
    shape = _shape_difference(expected, found) / (_SHAPE_SPREAD**2 * patience)
    agreement = np.maximum(expected_stages @ stages.T, 0.05)
    total = place + shape - np.log(agreement)
    near = total < _GATE
    # Areas of overlap are dear to compute, and needed only where there is a choice.
    rows, columns = np.flatnonzero(near.sum(axis=1) > 1), np.flatnonzero(near.sum(axis=0) > 1)
    if len(rows) or len(columns):
        rows = np.union1d(rows, np.flatnonzero(near[:, columns].any(axis=1)))
        columns = np.flatnonzero(near[rows].any(axis=0))
        apart = 1.0 - overlap(expected[rows], found[columns])
        total[np.ix_(rows, columns)] += _OVERLAP_WEIGHT * apart
    return np.where(near, total, FORBIDDEN)


def common_shift(expected: Floats, found: Floats, maximum_px: float) -> Floats:
    """(2,) px by which the whole picture jumped: the shift that brings most expected objects onto found ones.

    A breath or a slip of the hand moves all objects alike. Every pair of like shapes proposes its own shift
    and the others vote; zero unless two objects agree, since one alone may move by itself.
    """
    none = np.zeros(2)
    if len(expected) < 2 or len(found) < 2:
        return none
    steps = found[None, :, :2] - expected[:, None, :2]  # (L, N, 2)
    alike = _shape_difference(expected, found) < (2 * _SHAPE_SPREAD) ** 2
    possible = alike & ((steps**2).sum(axis=2) < maximum_px**2)
    proposals = steps[possible]  # (P, 2)
    if not len(proposals):
        return none
    offsets = steps[None] - proposals[:, None, None]  # (P, L, N, 2)
    votes = np.exp(-(offsets**2).sum(axis=3) / (2 * _AGREEMENT_PX**2)) * alike
    support = votes.max(axis=2).sum(axis=1)
    best = int(np.argmax(support - 0.5 * (proposals**2).sum(axis=1) / _TYPICAL_SHAKE_PX**2))
    if support[best] < 1.5:
        return none
    weights = votes[best]
    return np.asarray((weights[..., None] * steps).sum(axis=(0, 1)) / weights.sum())


def assign(cost: Floats) -> tuple[NDArray[np.int64], NDArray[np.int64]]:
    """Rows and columns of the one-to-one assignment with most pairs and then least cost; none FORBIDDEN."""
    if not cost.size or cost.min() >= FORBIDDEN:
        return np.zeros(0, np.int64), np.zeros(0, np.int64)
    rows, columns = linear_sum_assignment(cost)
    allowed = cost[rows, columns] < FORBIDDEN
    return rows[allowed].astype(np.int64), columns[allowed].astype(np.int64)


def _shape_difference(first: Floats, second: Floats) -> Floats:
    # (L, N) squared log-Euclidean distance of the outlines: blind to the jumping angle of round ones.
    a, b = to_log_matrix(first), to_log_matrix(second)
    step = a[:, None] - b[None]
    return np.asarray(step[..., 0] ** 2 + step[..., 1] ** 2 + 2 * step[..., 2] ** 2)
