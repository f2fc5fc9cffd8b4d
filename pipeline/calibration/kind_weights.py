"""Learns what the signs of the picture say about the kind of an object: follicle, or shelled egg."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from pipeline.calibration.logistic_regression import weights_without_negative
from pipeline.calibration.training_exams import TrainingExam
from pipeline.calibration_tables import KindSign, KindWeights
from pipeline.estimate.kind_model import KIND_SIGNS, kind_signs

__all__ = ["fit_kind_weights"]

Floats = NDArray[np.float64]


def fit_kind_weights(training_exams: Sequence[TrainingExam]) -> KindWeights:
    """From the tracks of follicles and of shelled eggs, whatever the network took them for.

    Both kinds together count the same, however many tracks each has. The level at which a sign speaks for neither is
    half way between the medians of the kinds. A sign that is not known of both kinds gets no weight.
    """
    rows = [
        (kind_signs(clip.signs[track.identity]), label == "follicle")
        for training_exam in training_exams
        for clip in training_exam.clips
        for track in clip.tracks
        if track.identity in clip.signs
        and (label := training_exam.track_labels[clip.file, track.identity]) in ("follicle", "shelled")
    ]
    values = np.array([signs for signs, _ in rows]).reshape(-1, len(KIND_SIGNS))
    is_follicle = np.array([follicle for _, follicle in rows], dtype=bool)
    neutral = np.array([_half_way(column, is_follicle) for column in values.T])
    centred = np.nan_to_num(values - neutral, nan=0.0)
    _, *weights = weights_without_negative(centred, is_follicle)
    signs = {
        name: KindSign(neutral=0.0 if np.isnan(level) else float(level), weight=weight)
        for name, level, weight in zip(KIND_SIGNS, neutral.tolist(), weights, strict=True)
    }
    return KindWeights(**signs)


def _half_way(values: Floats, is_follicle: NDArray[np.bool_]) -> float:
    """Between the medians of follicles and of shelled eggs, NaN where either has none."""
    known = [kind[~np.isnan(kind)] for kind in (values[is_follicle], values[~is_follicle])]
    return float(np.mean([np.median(kind) for kind in known])) if all(map(len, known)) else float("nan")
