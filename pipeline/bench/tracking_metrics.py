"""Metrics of tracking: HOTA and IDF1, as computed by TrackEval.

TP, FN and FP are the matches, misses and false positives of one-to-one matches in every frame at an overlap of at least
alpha. TPA, FNA and FPA are the same for the frames of the two identities in a match. Then

    HOTA  = mean over alpha of sqrt(DetA AssA),   alpha = 0.05, 0.10, ... 0.95
    DetA  = TP / (TP + FN + FP)
    AssA  = mean over TP of TPA / (TPA + FNA + FPA)

(Luiten et al., IJCV 2021, doi 10.1007/s11263-020-01375-2), and

    IDF1  = 2 IDTP / (2 IDTP + IDFP + IDFN)

at an overlap of 0.5, with true and found identities matched one to one over the complete clip (Ristani et al., 2016).
Over several clips, TP and the other numbers are summed. The tests compare the results with TrackEval. It is not used
here because it installs another build of OpenCV, which would replace ours.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.optimize import linear_sum_assignment

__all__ = [
    "ALPHAS",
    "TrackingFrame",
    "TrackingMetrics",
    "TrackingTally",
    "metrics_of_tallies",
    "tally_clip",
    "tracking_metrics",
]

Floats = NDArray[np.float64]
Identities = NDArray[np.int64]

ALPHAS = np.arange(1, 20) * 0.05
_IDENTITY_OVERLAP = 0.5
# An overlap counts as reached if only rounding keeps it below.
_TOLERANCE = float(np.finfo(np.float64).eps)


@dataclass(frozen=True)
class TrackingFrame:
    """The true objects and the tracks in one frame.

    true_ids : (N,) identities of the true objects;  track_ids : (M,) of the tracks; both are unique within a clip
    overlap : (N, M) intersection over union, 0 to 1
    """

    true_ids: Identities
    track_ids: Identities
    overlap: Floats


@dataclass(frozen=True)
class TrackingMetrics:
    """All metrics are from 0 to 1; None without any object and any track.

    hota : higher order tracking accuracy, at each overlap the geometric mean of the next two
    detection_accuracy : DetA, accuracy of the detections in tracks;  association_accuracy : AssA, of their identities
    idf1 : F1 score of identities
    """

    hota: float | None
    detection_accuracy: float | None
    association_accuracy: float | None
    idf1: float | None


@dataclass(frozen=True)
class TrackingTally:
    """The numbers of one clip.

    matches, misses, false_positives : (19,) TP, FN and FP for each alpha
    association_sum : (19,) for each alpha, the sum over matches of TPA / (TPA + FNA + FPA)
    identities : (3,) IDTP, IDFN, IDFP
    """

    matches: Floats
    misses: Floats
    false_positives: Floats
    association_sum: Floats
    identities: Floats


def tracking_metrics(clips: Sequence[Sequence[TrackingFrame]]) -> TrackingMetrics:
    """The metrics over several clips. clips : the frames of each in order of time"""
    return metrics_of_tallies([tally_clip(clip) for clip in clips])


def metrics_of_tallies(tallies: Sequence[TrackingTally]) -> TrackingMetrics:
    """The metrics over several clips that were tallied."""
    matches, misses, false_positives, association_sum = (
        sum((getattr(each, name) for each in tallies), np.zeros(len(ALPHAS)))
        for name in ("matches", "misses", "false_positives", "association_sum")
    )
    if not (matches + misses + false_positives).any():
        return TrackingMetrics(None, None, None, None)
    detection = matches / np.maximum(matches + misses + false_positives, 1)
    association = association_sum / np.maximum(matches, 1)
    true_positives, missed, false = sum((each.identities for each in tallies), np.zeros(3))
    return TrackingMetrics(
        hota=float(np.sqrt(detection * association).mean()),
        detection_accuracy=float(detection.mean()),
        association_accuracy=float(association.mean()),
        idf1=float(true_positives / (true_positives + 0.5 * missed + 0.5 * false)),
    )


def tally_clip(frames: Sequence[TrackingFrame]) -> TrackingTally:
    """The numbers of one clip. frames : in order of time"""
    frames = _renumbered(frames)
    true_frames = np.bincount(np.concatenate([*(frame.true_ids for frame in frames), np.zeros(0, np.int64)]))
    found_frames = np.bincount(np.concatenate([*(frame.track_ids for frame in frames), np.zeros(0, np.int64)]))
    frames_of_either = true_frames[:, None] + found_frames[None]  # (T, F) frames of both identities, added
    similarity, close = np.zeros(frames_of_either.shape), np.zeros(frames_of_either.shape)
    for frame in frames:
        index = np.ix_(frame.true_ids, frame.track_ids)
        others = frame.overlap.sum(axis=0) + frame.overlap.sum(axis=1, keepdims=True) - frame.overlap
        similarity[index] += np.divide(frame.overlap, others, out=np.zeros_like(others), where=others > _TOLERANCE)
        close[index] += frame.overlap >= _IDENTITY_OVERLAP - _TOLERANCE
    similarity = similarity / np.maximum(frames_of_either - similarity, _TOLERANCE)
    frames_matched = np.zeros(
        (len(ALPHAS), *frames_of_either.shape)
    )  # in which each two identities match, at each alpha
    for frame in frames:
        rows, columns = linear_sum_assignment(-similarity[np.ix_(frame.true_ids, frame.track_ids)] * frame.overlap)
        reached = frame.overlap[rows, columns][None] >= ALPHAS[:, None] - _TOLERANCE
        frames_matched[:, frame.true_ids[rows], frame.track_ids[columns]] += reached
    matches = frames_matched.sum(axis=(1, 2))
    return TrackingTally(
        matches=matches,
        misses=true_frames.sum() - matches,
        false_positives=found_frames.sum() - matches,
        association_sum=(frames_matched * frames_matched / np.maximum(frames_of_either[None] - frames_matched, 1)).sum(
            axis=(1, 2)
        ),
        identities=_identities(close, true_frames, found_frames),
    )


def _identities(close: Floats, true_frames: Identities, found_frames: Identities) -> Floats:
    """(3,) IDTP, IDFN, IDFP of the best one-to-one matching of identities. Unmatched identities are IDFN or IDFP."""
    rows, columns = linear_sum_assignment(-close)
    matched = close[rows, columns].sum()
    return np.array([matched, true_frames.sum() - matched, found_frames.sum() - matched])


def _renumbered(frames: Sequence[TrackingFrame]) -> list[TrackingFrame]:
    """The same frames with identities 0, 1, ..., so that they can be used as indices."""
    true = np.unique(np.concatenate([*(frame.true_ids for frame in frames), np.zeros(0, np.int64)]))
    found = np.unique(np.concatenate([*(frame.track_ids for frame in frames), np.zeros(0, np.int64)]))
    return [
        TrackingFrame(np.searchsorted(true, frame.true_ids), np.searchsorted(found, frame.track_ids), frame.overlap)
        for frame in frames
    ]
