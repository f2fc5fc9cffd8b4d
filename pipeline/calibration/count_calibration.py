"""Learns everything that the counts need from exams whose ground truth is known."""

from __future__ import annotations

from collections.abc import Sequence

from pipeline.calibration.detection_rate import fit_detection_rate
from pipeline.calibration.interval_and_confidence import (
    conformal_level,
    fit_confidence_calibration,
    fit_inverse_temperature,
)
from pipeline.calibration.likelihood_weights import fit_likelihood_weights
from pipeline.calibration.training_exams import TrainingExam
from pipeline.calibration_tables import ConfidenceCalibration, CountCalibration, CountCalibrations
from pipeline.estimate.exam_estimate import count_kind, group_exam
from pipeline.settings import Settings
from pipeline.track.merging.count_distribution import CountDistribution
from pipeline.track.merging.merge import Grouping

__all__ = ["TARGET_COVERAGE", "calibrate_counts", "group_training_exams"]

TARGET_COVERAGE = 0.9
"""Share of exams in which the interval is to contain the number of objects that the sweeps crossed."""

_INTERVAL_PROBABILITY_BOUNDS = 0.01, 0.999  # common practice, no source
# Exams with something counted from which on their intervals are learned from them alone (common practice, no source):
# most animals without follicles are told so rightly, which says nothing about the intervals of the others.
_LEAST_TOLD_SOME = 20


def group_training_exams(training_exams: Sequence[TrainingExam], settings: Settings) -> list[Grouping]:
    """The eggs of each exam before they are counted. settings : with the calibration of the network's stages"""
    return [group_exam(each.exam, each.clips, each.coverage, settings) for each in training_exams]


def calibrate_counts(
    training_exams: Sequence[TrainingExam], groupings: Sequence[Grouping], settings: Settings
) -> CountCalibrations:
    """The calibration of both counts.

    Likelihood weights and detection rates are fitted on all exams. Temperature, interval and confidence come from
    two-fold cross-validation: each half of the exams is counted with what was fitted on the other half.

    groupings : of the exams, in their order, with the same settings
    settings : with the calibration of the network's stages; its counts are not used
    """
    return CountCalibrations(
        animals=len(training_exams),
        shelled=_calibrate_kind(training_exams, groupings, settings, shelled=True),
        follicles=_calibrate_kind(training_exams, groupings, settings, shelled=False),
    )


def _calibrate_kind(
    training_exams: Sequence[TrainingExam], groupings: Sequence[Grouping], settings: Settings, *, shelled: bool
) -> CountCalibration:
    predictions: list[tuple[CountDistribution, int]] = []  # with the true numbers
    for half in (0, 1):
        others = _fit_without_temperature(
            training_exams[1 - half :: 2], groupings[1 - half :: 2], settings, shelled=shelled
        )
        learned = _with_count_calibration(settings, others)
        for each, grouping in zip(training_exams[half::2], groupings[half::2], strict=True):
            predicted = count_kind(each.exam, grouping, each.clips, shelled, learned).distribution
            predictions.append((predicted, each.crossed_counts.of(shelled=shelled)))
    inverse_temperature = fit_inverse_temperature(predictions)
    tempered = [(predicted.tempered(inverse_temperature), true) for predicted, true in predictions]
    every_exam, told_some = tempered, [each for each in tempered if each[0].median > 0]
    if len(told_some) < _LEAST_TOLD_SOME:
        told_some = every_exam
    return _fit_without_temperature(training_exams, groupings, settings, shelled=shelled).model_copy(
        update={
            "inverse_temperature": inverse_temperature,
            "interval_probability": _interval_probability(told_some),
            "interval_probability_if_none": _interval_probability(every_exam),
            "confidence": fit_confidence_calibration(tempered, shelled=shelled),
        }
    )


def _interval_probability(predictions: Sequence[tuple[CountDistribution, int]]) -> float:
    low, high = _INTERVAL_PROBABILITY_BOUNDS
    return min(max(conformal_level(predictions, TARGET_COVERAGE), low), high)


def _fit_without_temperature(
    training_exams: Sequence[TrainingExam], groupings: Sequence[Grouping], settings: Settings, *, shelled: bool
) -> CountCalibration:
    """Likelihood weights and detection rate; temperature, interval and confidence change nothing."""
    likelihood_weights, false_tracks_per_clip = fit_likelihood_weights(
        training_exams, shelled=shelled, settings=settings.track
    )
    return CountCalibration(
        false_tracks_per_clip=false_tracks_per_clip,
        likelihood_weights=likelihood_weights,
        detection_rate=fit_detection_rate(training_exams, groupings, settings, shelled=shelled),
        confidence=ConfidenceCalibration(intercept=0.0, slope=1.0),
        inverse_temperature=1.0,
        interval_probability=TARGET_COVERAGE,
        interval_probability_if_none=TARGET_COVERAGE,
    )


def _with_count_calibration(settings: Settings, learned: CountCalibration) -> Settings:
    counts = CountCalibrations(animals=0, shelled=learned, follicles=learned)  # one of the two is used
    return settings.with_calibration(settings.calibration.model_copy(update={"counts": counts}))
