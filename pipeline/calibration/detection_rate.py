"""Which of the objects that a sweep crosses are found: by size and depth, and from exam to exam."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from pipeline.calibration.logistic_regression import logistic_weights
from pipeline.calibration.training_exams import TrainingExam
from pipeline.estimate.encounter_history import EncounterHistory, encounter_history
from pipeline.estimate.missed_eggs import estimate_missed
from pipeline.settings import DetectionRate, Settings
from pipeline.track.merging.merge import Grouping

__all__ = ["fit_detection_rate"]

_SPREADS = np.linspace(0.0, 3.0, 16)
_LEAST_CHANCE = 1e-3  # no exam is stranger than this: one with a fault of its own does not decide for all others


def fit_detection_rate(
    training_exams: Sequence[TrainingExam], groupings: Sequence[Grouping], settings: Settings, *, shelled: bool
) -> DetectionRate:
    """Rates at the usual size and depth and how they go with both, from what each clip found of what it crossed; and
    how much exams differ, from how many each overlooked beside those that it found.
    """
    everything = [one for training_exam in training_exams for one in training_exam.objects if one.shelled == shelled]
    reference_log_size = float(np.median([np.log(one.size) for one in everything])) if everything else np.log(0.1)
    reference_depth = float(np.clip(np.median([one.depth for one in everything]), 0, 1)) if everything else 0.5
    rows = [[np.log(one.size) - reference_log_size, one.depth - reference_depth] for one in everything]
    found = np.array([one.detected for one in everything], dtype=bool)
    intercept, size, depth = logistic_weights(np.array(rows).reshape(-1, 2), found).tolist()
    rates = DetectionRate(
        intercept=intercept,
        size_slope=size,
        depth_slope=depth,
        reference_log_size=float(reference_log_size),
        reference_depth=reference_depth,
        exam_sd=0.0,
    )
    exams = [
        _Exam.of(training_exam, grouping, rates, settings, shelled)
        for training_exam, grouping in zip(training_exams, groupings, strict=True)
    ]
    return rates.model_copy(update={"exam_sd": _spread([exam for exam in exams if exam.found], rates, settings)})


@dataclass(frozen=True)
class _Exam:
    """One exam. met : what its passes met of its true eggs;  found, overlooked : how many"""

    met: EncounterHistory
    found: int
    overlooked: int

    @classmethod
    def of(
        cls, training_exam: TrainingExam, grouping: Grouping, rates: DetectionRate, settings: Settings, shelled: bool
    ) -> _Exam:
        eggs = [
            egg
            for egg in grouping.eggs
            if any(training_exam.track_labels.get((one.file, one.track)) is shelled for one in egg.members)
        ]
        met = encounter_history(
            eggs, grouping.passes, training_exam.clips, training_exam.exam.carapace_width_mm, rates, settings
        )
        missed = training_exam.missed_counts[0 if shelled else 1]
        return cls(met, training_exam.crossed_counts[0 if shelled else 1] - missed, missed)


def _spread(exams: Sequence[_Exam], rates: DetectionRate, settings: Settings) -> float:
    """The likeliest spread of exams, by what they overlooked."""

    def evidence(spread: float) -> float:
        different = rates.model_copy(update={"exam_sd": spread})
        total = 0.0
        for exam in exams:
            number = estimate_missed(exam.met, different).count_distribution(
                exam.found, settings.estimate.zero_count_prior
            )
            total += math.log(max(number.probability_within(exam.overlooked, exam.overlooked), _LEAST_CHANCE))
        return total

    return float(_SPREADS[int(np.argmax([evidence(float(spread)) for spread in _SPREADS]))])
