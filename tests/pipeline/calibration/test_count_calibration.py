from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from configs.reading import read_toml
from pipeline.calibration.count_calibration import calibrate_counts, group_training_exams
from pipeline.calibration.detection_rate import fit_detection_rate
from pipeline.calibration.likelihood_weights import fit_likelihood_weights
from pipeline.calibration.training_exams import CrossedObject, TrainingExam
from pipeline.calibration_file import calibration_toml
from pipeline.calibration_tables import Calibration, DetectionRate
from pipeline.estimate.candidates import log_likelihood_ratio
from pipeline.estimate.exam_estimate import estimate_exam
from pipeline.estimate.track_features import track_features
from pipeline.settings import load_settings
from pipeline.track.merging.by_kind import ByKind
from pipeline.track.merging.count_distribution import point_mass
from pipeline.track.merging.merge import Grouping
from tests.pipeline.calibration.simulated_exams import training_exam

SETTINGS = load_settings()


def training_exams(number: int, seed: int = 1) -> list[TrainingExam]:
    """Every third animal carries no eggs."""
    rng = np.random.default_rng(seed)
    return [
        training_exam(rng, 0 if k % 3 == 0 else int(rng.integers(1, 9)), int(rng.poisson(1))) for k in range(number)
    ]


def test_likelihood_ratios_separate_real_from_false_tracks() -> None:
    known = training_exams(60)
    likelihood_weights, false_tracks_per_clip = fit_likelihood_weights(known, shelled=True, settings=SETTINGS.track)
    assert 0.7 < false_tracks_per_clip < 1.4
    ratios: dict[str, list[float]] = {"shelled": [], "none": []}
    for one in known:
        seen = track_features(one.clips, shelled=True, settings=SETTINGS.track)
        for track in one.clips[0].tracks:
            ratio = log_likelihood_ratio([seen["left-1.mp4", track.identity]], likelihood_weights)
            ratios[one.track_labels["left-1.mp4", track.identity]].append(ratio)
    assert np.median(ratios["shelled"]) > 1
    assert np.median(ratios["none"]) < -1


def test_likelihood_ratios_do_not_depend_on_the_share_of_real_tracks() -> None:
    rng = np.random.default_rng(3)
    mostly_real = [training_exam(rng, 6, 1, found=1.0) for _ in range(100)]
    mostly_false = [training_exam(rng, 1, 6, found=1.0) for _ in range(100)]
    others = training_exams(20, seed=4)
    medians = []
    for known in (mostly_real, mostly_false):
        weights, _ = fit_likelihood_weights(known, shelled=True, settings=SETTINGS.track)
        ratios = [
            log_likelihood_ratio([track], weights)
            for one in others
            for track in track_features(one.clips, shelled=True, settings=SETTINGS.track).values()
        ]
        medians.append(np.median(ratios))
    # The odds of a real track differ by a factor of 36 between the two, whose logarithm is 3.6.
    assert medians[0] == pytest.approx(medians[1], abs=0.6)


def test_no_feature_counts_against_an_egg() -> None:
    known = []
    for one in training_exams(40):
        # False tracks are surer of their kind than eggs are.
        tracks = [
            replace(track, stage_probabilities=np.tile(stages, (30, 1)))
            for track in one.clips[0].tracks
            for stages in [
                (0.1, 0.1, 0.8) if one.track_labels["left-1.mp4", track.identity] == "shelled" else (0.01, 0.01, 0.98)
            ]
        ]
        known.append(replace(one, clips=(replace(one.clips[0], tracks=tuple(tracks)),)))
    likelihood_weights, _ = fit_likelihood_weights(known, shelled=True, settings=SETTINGS.track)
    assert likelihood_weights.kind == 0
    assert likelihood_weights.score > 0


def simulated_crossings(
    rng: np.random.Generator, exam_sd: float, *, exams: int = 150, eggs: int = 12, vary: float = 1.0
) -> list[TrainingExam]:
    """Exams that found some of their eggs.

    exam_sd : log-odds, standard deviation of the detection rate from exam to exam
    vary : factor on the differences in size and depth, 0 if all eggs are alike
    """
    empty = training_exam(rng, 0, 0)
    made = []
    for _ in range(exams):
        shift, objects = rng.normal(0, exam_sd), []
        for _ in range(eggs):
            size, depth = float(np.exp(-2.3 + vary * rng.normal(0, 0.3))), float(0.5 + vary * rng.uniform(-0.4, 0.4))
            log_odds = 1.0 + 2.0 * (np.log(size) + 2.3) - 3.0 * (depth - 0.5) + shift
            objects.append(CrossedObject(True, bool(rng.random() < 1 / (1 + np.exp(-log_odds))), size, depth))
        missed = sum(not one.detected for one in objects)
        made.append(
            replace(
                empty,
                objects=tuple(objects),
                crossed_counts=ByKind(shelled=eggs, follicles=0),
                missed_counts=ByKind(shelled=missed, follicles=0),
            )
        )
    return made


def fitted_rate(known: list[TrainingExam]) -> DetectionRate:
    groupings = [Grouping((), ByKind(shelled=point_mass(0), follicles=point_mass(0)), ()) for _ in known]
    return fit_detection_rate(known, groupings, SETTINGS, shelled=True)


@pytest.mark.parametrize("exam_sd", [0.0, 1.0])
def test_the_true_detection_rate_is_fitted(exam_sd: float) -> None:
    rate = fitted_rate(simulated_crossings(np.random.default_rng(6), exam_sd))
    # Averaged over exams of different rates, slopes are a little nearer to zero.
    assert (rate.size_slope, rate.depth_slope) == (pytest.approx(2.0, abs=0.6), pytest.approx(-3.0, abs=0.6))
    at_reference = (
        rate.intercept
        + rate.size_slope * (-2.3 - rate.reference_log_size)
        + rate.depth_slope * (0.5 - rate.reference_depth)
    )
    assert at_reference == pytest.approx(1.0, abs=0.25)


@pytest.mark.parametrize("exam_sd", [0.0, 0.6])
def test_the_true_difference_between_exams_is_fitted(exam_sd: float) -> None:
    rate = fitted_rate(simulated_crossings(np.random.default_rng(7), exam_sd, exams=300, vary=0.0))
    assert rate.exam_sd == pytest.approx(exam_sd, abs=0.25)


def test_exams_that_differ_widely_do_not_widen_every_interval() -> None:
    rate = fitted_rate(simulated_crossings(np.random.default_rng(7), 2.5, exams=100, vary=0.0))
    assert rate.exam_sd == pytest.approx(0.8)


def test_a_learned_calibration_can_be_written_read_and_used_for_counting(tmp_path: Path) -> None:
    known = training_exams(24)
    learned = calibrate_counts(known, group_training_exams(known, SETTINGS), SETTINGS)
    assert learned.animals == 24
    path = tmp_path / "own.calibration.toml"
    calibration = SETTINGS.calibration.model_copy(update={"counts": learned})
    path.write_text(calibration_toml(calibration), encoding="utf-8")
    settings = SETTINGS.with_calibration(read_toml(path, Calibration))
    assert settings.calibration.counts.shelled.likelihood_weights.score == pytest.approx(
        learned.shelled.likelihood_weights.score, rel=1e-3
    )
    errors = []
    for one in training_exams(16, seed=2):
        finding = estimate_exam(one.exam, one.clips, one.coverage, settings)
        errors.append(finding.shelled.estimate - one.crossed_counts.shelled)
    assert abs(np.mean(errors)) < 1
    assert np.mean(np.abs(errors) <= 2) > 0.7


def test_intervals_of_counts_above_zero_are_learned_from_those_alone() -> None:
    """Animals without eggs, rightly told so, say nothing about the intervals of the others."""
    rng = np.random.default_rng(5)
    carriers = [training_exam(rng, int(rng.integers(3, 9)), 0) for _ in range(40)]
    known = [each for pair in zip(carriers, [training_exam(rng, 0, 0) for _ in carriers], strict=True) for each in pair]
    # In turn, so that both halves of the cross-validation have carriers.
    known = sorted(known, key=lambda each: rng.random())
    learned = calibrate_counts(known, group_training_exams(known, SETTINGS), SETTINGS).shelled
    assert learned.interval_probability > learned.interval_probability_if_none
