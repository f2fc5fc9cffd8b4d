"""How well objects were followed: HOTA and IDF1, as TrackEval computes them.

With TP, FN and FP the pairs, misses and false alarms of one-to-one matches in every frame at an overlap of at least
alpha, and TPA, FNA and FPA the same for the frames of the two identities that a pair joins,

    HOTA  = mean over alpha of sqrt(DetA AssA),   alpha = 0.05, 0.10, ... 0.95
    DetA  = TP / (TP + FN + FP)
    AssA  = mean over TP of TPA / (TPA + FNA + FPA)

(Luiten et al., IJCV 2021, doi 10.1007/s11263-020-01375-2), and

    IDF1  = 2 IDTP / (2 IDTP + IDFP + IDFN)

at an overlap of 0.5, true and found identities joined one to one over the whole clip (Ristani et al., 2016). Over
several clips TP and the like are added up. TrackEval itself is the referee in the tests: it brings another build of
OpenCV along, which would take the place of ours.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.optimize import linear_sum_assignment

__all__ = ["ALPHAS", "TrackingFrame", "TrackingMetrics", "tracking_metrics"]

Floats = NDArray[np.float64]
Identities = NDArray[np.int64]

ALPHAS = np.arange(1, 20) * 0.05
_IDENTITY_OVERLAP = 0.5
# An overlap is taken as reached if rounding alone keeps it below.
_SLACK = float(np.finfo(np.float64).eps)


@dataclass(frozen=True)
class TrackingFrame:
    """What one frame shows and what was found in it.

    true_ids : (N,) identities of what is there, track_ids : (M,) of the tracks seen in it; any numbers, one meaning a clip
    overlap : (N, M) intersection over union, 0 to 1
    """

    true_ids: Identities
    track_ids: Identities
    overlap: Floats


@dataclass(frozen=True)
class TrackingMetrics:
    """All from 0 to 1; None where nothing was there and nothing was found.

    hota : higher order tracking accuracy, the geometric mean, at each overlap, of the next two
    detection_accuracy, association_accuracy : DetA and AssA, accuracy of what was found where, and of what was held to be the same
    idf1 : IDF1
    """

    hota: float | None
    detection_accuracy: float | None
    association_accuracy: float | None
    idf1: float | None


@dataclass(frozen=True)
class _Tally:
    """Of one clip. pairs, misses, false_alarms, associated : (19,) over alpha, the last the sum over pairs of TPA /
    (TPA + FNA + FPA);  identities : IDTP, IDFN, IDFP
    """

    pairs: Floats
    misses: Floats
    false_alarms: Floats
    associated: Floats
    identities: Floats


def tracking_metrics(clips: Sequence[Sequence[TrackingFrame]]) -> TrackingMetrics:
    """Of several clips, each its frames in order."""
    tallies = [_tally(clip) for clip in clips]
    pairs, misses, false_alarms, associated = (
        sum((getattr(each, name) for each in tallies), np.zeros(len(ALPHAS)))
        for name in ("pairs", "misses", "false_alarms", "associated")
    )
    if not (pairs + misses + false_alarms).any():
        return TrackingMetrics(None, None, None, None)
    detection = pairs / np.maximum(pairs + misses + false_alarms, 1)
    association = associated / np.maximum(pairs, 1)
    kept, lost, invented = sum((each.identities for each in tallies), np.zeros(3))
    return TrackingMetrics(
        hota=float(np.sqrt(detection * association).mean()),
        detection_accuracy=float(detection.mean()),
        association_accuracy=float(association.mean()),
        idf1=float(kept / (kept + 0.5 * lost + 0.5 * invented)),
    )


def _tally(frames: Sequence[TrackingFrame]) -> _Tally:
    frames = _renumbered(frames)
    true_frames = np.bincount(np.concatenate([*(frame.true_ids for frame in frames), np.zeros(0, np.int64)]))
    found_frames = np.bincount(np.concatenate([*(frame.track_ids for frame in frames), np.zeros(0, np.int64)]))
    in_all = true_frames[:, None] + found_frames[None]  # (T, F) frames of either identity
    likely, close = np.zeros(in_all.shape), np.zeros(in_all.shape)
    for frame in frames:
        at = np.ix_(frame.true_ids, frame.track_ids)
        others = frame.overlap.sum(axis=0) + frame.overlap.sum(axis=1, keepdims=True) - frame.overlap
        likely[at] += np.divide(frame.overlap, others, out=np.zeros_like(others), where=others > _SLACK)
        close[at] += frame.overlap >= _IDENTITY_OVERLAP - _SLACK
    likely = likely / np.maximum(in_all - likely, _SLACK)
    joined = np.zeros((len(ALPHAS), *in_all.shape))  # in how many frames each two identities are a pair
    for frame in frames:
        rows, columns = linear_sum_assignment(-likely[np.ix_(frame.true_ids, frame.track_ids)] * frame.overlap)
        reached = frame.overlap[rows, columns][None] >= ALPHAS[:, None] - _SLACK
        joined[:, frame.true_ids[rows], frame.track_ids[columns]] += reached
    pairs = joined.sum(axis=(1, 2))
    return _Tally(
        pairs=pairs,
        misses=true_frames.sum() - pairs,
        false_alarms=found_frames.sum() - pairs,
        associated=(joined * joined / np.maximum(in_all[None] - joined, 1)).sum(axis=(1, 2)),
        identities=_identities(close, true_frames, found_frames),
    )


def _identities(close: Floats, true_frames: Identities, found_frames: Identities) -> Floats:
    # (3,) IDTP, IDFN, IDFP of the joining that keeps most: an identity joined with none counts as lost or invented.
    rows, columns = linear_sum_assignment(-close)
    kept = close[rows, columns].sum()
    return np.array([kept, true_frames.sum() - kept, found_frames.sum() - kept])


def _renumbered(frames: Sequence[TrackingFrame]) -> list[TrackingFrame]:
    # Identities as places 0, 1, ... so that tables can be indexed by them.
    true = np.unique(np.concatenate([*(frame.true_ids for frame in frames), np.zeros(0, np.int64)]))
    found = np.unique(np.concatenate([*(frame.track_ids for frame in frames), np.zeros(0, np.int64)]))
    return [
        TrackingFrame(np.searchsorted(true, frame.true_ids), np.searchsorted(found, frame.track_ids), frame.overlap)
        for frame in frames
    ]
