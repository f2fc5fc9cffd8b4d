"""Learns which of the objects that a sweep crosses are found: by size and depth, and how much exams differ."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from pipeline.calibration.logistic_regression import logistic_weights
from pipeline.calibration.training_exams import TrainingExam
from pipeline.calibration_tables import DetectionRate
from pipeline.estimate.encounter_history import EncounterHistory, encounter_history
from pipeline.estimate.missed_eggs import estimate_missed
from pipeline.settings import Settings
from pipeline.track.merging.merge import Grouping

__all__ = ["fit_detection_rate"]

# Log-odds: standard deviations between exams that are tried. One or two exams of which nearly all was missed would ask
# for 2 or 3, and make the interval of every other exam wide. With at most 0.8, intervals that hold in 90 % cost less
# (Winkler's score 11.3 instead of 13.4 for eggs, 13.9 instead of 17.6 for follicles) on 141 phantoms of seed 16001,
# by two-fold cross-validation. Winkler 1972, J Am Stat Assoc 67:187.
_EXAM_SDS: tuple[float, ...] = tuple(np.linspace(0.0, 0.8, 9).tolist())
_SMALLEST_PROBABILITY = 1e-3  # granted to each exam, so that one with a fault of its own does not decide for all
_DEFAULT_SIZE, _DEFAULT_DEPTH = 0.1, 0.5  # shares of the picture's depth: the reference where no object was crossed


def fit_detection_rate(
    training_exams: Sequence[TrainingExam], groupings: Sequence[Grouping], settings: Settings, *, shelled: bool
) -> DetectionRate:
    """The rate at the median size and depth, how it changes with both, and how much exams differ.

    The first three come from which objects each clip found among those it crossed, the last from how many objects each
    exam missed in addition to those it found.

    groupings : of the training exams, in their order
    """
    crossed = [each for training_exam in training_exams for each in training_exam.objects if each.shelled == shelled]
    log_sizes, depths = np.log([each.size for each in crossed]), np.array([each.depth for each in crossed])
    reference_log_size = float(np.median(log_sizes)) if crossed else math.log(_DEFAULT_SIZE)
    reference_depth = float(np.clip(np.median(depths), 0, 1)) if crossed else _DEFAULT_DEPTH
    intercept, size_slope, depth_slope = logistic_weights(
        np.column_stack([log_sizes - reference_log_size, depths - reference_depth]),
        np.array([each.detected for each in crossed], dtype=bool),
    ).tolist()
    rate = DetectionRate(
        intercept=intercept,
        size_slope=size_slope,
        depth_slope=depth_slope,
        reference_log_size=reference_log_size,
        reference_depth=reference_depth,
        exam_sd=0.0,
    )
    exams = [
        _CountedExam.of(training_exam, grouping, rate, settings, shelled=shelled)
        for training_exam, grouping in zip(training_exams, groupings, strict=True)
    ]
    return rate.model_copy(update={"exam_sd": _fit_exam_sd([exam for exam in exams if exam.found], rate, settings)})


@dataclass(frozen=True)
class _CountedExam:
    """One exam. encounters : of its passes with its real eggs;  found, missed : number of objects that were crossed"""

    encounters: EncounterHistory
    found: int
    missed: int

    @classmethod
    def of(
        cls,
        training_exam: TrainingExam,
        grouping: Grouping,
        rate: DetectionRate,
        settings: Settings,
        *,
        shelled: bool,
    ) -> _CountedExam:
        label = "shelled" if shelled else "follicle"
        real = [
            egg
            for egg in grouping.eggs
            if any(training_exam.track_labels.get((member.file, member.track)) == label for member in egg.members)
        ]
        encounters = encounter_history(
            real, grouping.passes, training_exam.clips, training_exam.exam.carapace_width_mm, rate, settings
        )
        missed = training_exam.missed_counts.of(shelled=shelled)
        return cls(encounters, training_exam.crossed_counts.of(shelled=shelled) - missed, missed)


def _fit_exam_sd(exams: Sequence[_CountedExam], rate: DetectionRate, settings: Settings) -> float:
    """The standard deviation between exams by which the numbers that they missed are likeliest."""

    def log_likelihood(exam_sd: float) -> float:
        tried = rate.model_copy(update={"exam_sd": exam_sd})
        total = 0.0
        for exam in exams:
            missed = estimate_missed(exam.encounters, tried).count_distribution(
                exam.found, settings.estimate.zero_count_prior
            )
            total += math.log(max(missed.probability_within(exam.missed, exam.missed), _SMALLEST_PROBABILITY))
        return total

    return max(_EXAM_SDS, key=log_likelihood)
