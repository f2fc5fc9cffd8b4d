"""Everything that is learned of counting, from some training exams."""

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
from pipeline.estimate.exam_estimate import count_kind, group_exam
from pipeline.settings import ConfidenceCalibration, CountCalibration, CountCalibrations, Settings
from pipeline.track.merging.count_distribution import CountDistribution
from pipeline.track.merging.merge import Grouping

__all__ = ["TARGET_COVERAGE", "calibrate_counts"]

TARGET_COVERAGE = 0.9
"""How often the interval is to hold what the sweeps crossed."""


def calibrate_counts(training_exams: Sequence[TrainingExam], settings: Settings) -> CountCalibrations:
    """Likelihood weights and detection rates from all exams; the rest from how one half fares by the other."""
    groupings = [group_exam(one.exam, one.clips, one.coverage, settings) for one in training_exams]
    return CountCalibrations(
        shelled=_learn_kind(training_exams, groupings, True, settings),
        follicles=_learn_kind(training_exams, groupings, False, settings),
    )


def _learn_kind(
    training_exams: Sequence[TrainingExam], groupings: Sequence[Grouping], shelled: bool, settings: Settings
) -> CountCalibration:
    told: list[tuple[CountDistribution, int]] = []
    for half in (0, 1):
        learned = settings.model_copy(
            update={
                "counting": _both(
                    _unsharpened(training_exams[1 - half :: 2], groupings[1 - half :: 2], shelled, settings)
                )
            }
        )
        for one, grouping in zip(training_exams[half::2], groupings[half::2], strict=True):
            crossed = count_kind(one.exam, grouping, one.clips, shelled, learned).distribution
            told.append((crossed, one.crossed_counts[0 if shelled else 1]))
    power = fit_inverse_temperature(told)
    sharpened = [(crossed.tempered(power), true) for crossed, true in told]
    level = conformal_level(sharpened, TARGET_COVERAGE)
    return _unsharpened(training_exams, groupings, shelled, settings).model_copy(
        update={
            "inverse_temperature": power,
            "interval_probability": min(max(level, 0.01), 0.999),
            "confidence": fit_confidence_calibration(sharpened),
        }
    )


def _unsharpened(
    training_exams: Sequence[TrainingExam], groupings: Sequence[Grouping], shelled: bool, settings: Settings
) -> CountCalibration:
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
    )


def _both(counting: CountCalibration) -> CountCalibrations:
    return CountCalibrations(shelled=counting, follicles=counting)
