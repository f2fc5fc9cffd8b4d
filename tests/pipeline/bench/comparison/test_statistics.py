"""Figures as functions of how often animals count: once each, they are the figures of all other tables."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from pipeline.bench.comparison.compare import Comparison, compare_entries
from pipeline.bench.comparison.comparison_table import comparison_table
from pipeline.bench.comparison.entries import (
    Entry,
    entries_of_own_detections,
    entry_of_results,
    with_distinct_names,
)
from pipeline.bench.comparison.resampling import Estimate, Statistic, animal_weights, sample
from pipeline.bench.comparison.statistics import count_error, hota, shelled_average_precision
from pipeline.bench.data_set_metrics import measure_data_set
from pipeline.bench.ground_truth import DataSet, open_data_set
from pipeline.bench.results.method_results import MethodResults
from pipeline.bench.results.own_output import read_own_output
from tests.pipeline.bench.data_set_files import (
    SETTINGS,
    detection_annotation,
    object_annotation,
    write_result,
    write_truth,
)

ANIMALS, FRAMES = ("AF-1", "AF-2", "AF-3", "AF-4"), 25


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Four animals with random objects, some ignored, and detections that are near, far, false or of a follicle."""
    path = tmp_path_factory.mktemp("comparison")
    rng = np.random.default_rng(5)
    truth = []
    for number, animal in enumerate(ANIMALS):
        found = []
        for image in range(number * FRAMES + 1, (number + 1) * FRAMES + 1):
            for track in range(1, 1 + int(rng.integers(0, 4))):
                ellipse = [*rng.uniform(50, 500, 2), 30.0, 22.0, rng.uniform(-90, 90)]
                stage = int(rng.integers(1, 4))
                truth.append(object_annotation(image, stage, ellipse, ignored=rng.random() < 0.15, track=track))
                if rng.random() < 0.8 - 0.15 * number:
                    near = [*(np.array(ellipse[:2]) + rng.normal(0, 5, 2)), 30.0, 22.0, ellipse[4]]
                    score = round(float(rng.uniform(0.2, 1)), 3)
                    found.append(detection_annotation(image, stage, near, score=score, track=track, egg=track))
            if rng.random() < 0.3:
                stray = [*rng.uniform(50, 500, 2), 25.0, 20.0, 0.0]
                found.append(detection_annotation(image, 3, stray, score=round(float(rng.uniform(0.1, 0.9)), 3)))
        first = number * FRAMES + 1
        write_result(
            path / "out",
            found,
            animal=animal,
            first_image=first,
            frames=FRAMES,
            estimate=2 + number,
            interval=(0, 9),
            eggs={1: ["left-1.mp4", "left-1.mp4"]},
        )
    write_truth(path / "set", truth, animals=ANIMALS, frames=FRAMES, carried=3, crossed=3)
    return path


@pytest.fixture(scope="module")
def data_set(folder: Path) -> DataSet:
    return open_data_set(folder / "set")


@pytest.fixture(scope="module")
def own(folder: Path, data_set: DataSet) -> MethodResults:
    return read_own_output(data_set, folder / "out")


def estimate(statistic: Statistic, weights: np.ndarray) -> Estimate:
    return sample(statistic, weights).estimate()


def once(statistic: Statistic) -> float:
    return float(statistic(np.ones((1, len(ANIMALS))))[0])


def test_counted_once_each_the_figures_are_those_of_bench_accuracy(data_set: DataSet, own: MethodResults) -> None:
    metrics = measure_data_set(data_set, own, SETTINGS)
    assert own.found is not None
    assert metrics.detection is not None
    assert metrics.counting is not None
    at_half, mean = shelled_average_precision(data_set, own.found)
    shelled = metrics.detection.classes["shelled"]
    assert (once(at_half), once(mean)) == pytest.approx((shelled.ap50, shelled.ap50_95))
    assert once(hota(data_set, own.found)) == pytest.approx(metrics.tracking.hota)
    errors = [row.estimate - row.crossed for row in metrics.animals if row.estimate is not None]
    assert once(count_error(errors)) == metrics.counting.counts.mean_absolute_error == 1.0


def test_animals_that_are_not_drawn_do_not_count(data_set: DataSet, own: MethodResults) -> None:
    assert own.found is not None
    weights = np.array([[1.0, 1.0, 0.0, 0.0]])
    metrics = measure_data_set(data_set, own, SETTINGS)
    assert metrics.detection is not None
    by_exam = {each.name: each.shelled for each in metrics.detection.strata if each.kind == "exam"}
    at_half, mean = shelled_average_precision(data_set, own.found)
    for place, animal in enumerate(ANIMALS):
        alone = np.eye(len(ANIMALS))[[place]]
        assert at_half(alone)[0] == pytest.approx(by_exam[animal].ap50)
        assert mean(3 * alone)[0] == pytest.approx(by_exam[animal].ap50_95)  # three times the same is the same
    first, second = (by_exam[each].ap50 or 0.0 for each in ANIMALS[:2])
    assert min(first, second) < at_half(weights)[0] < max(first, second)


def test_draws_have_as_many_animals_and_a_seed_repeats_them() -> None:
    weights = animal_weights(7, 500, seed=4)
    assert weights.shape == (500, 7)
    assert (weights.sum(axis=1) == 7).all()
    assert weights.mean() == pytest.approx(1)
    assert (weights == animal_weights(7, 500, seed=4)).all()
    assert (weights != animal_weights(7, 500, seed=5)).any()


def test_the_interval_of_a_mean_is_that_of_its_standard_error() -> None:
    errors = np.random.default_rng(1).normal(0, 2, 400).round().astype(int).tolist()
    found = estimate(count_error(errors), animal_weights(400, 4000, seed=1))
    spread = np.abs(errors).std() / np.sqrt(400)
    assert found.value == pytest.approx(np.abs(errors).mean())
    assert found.low is not None
    assert found.high is not None
    assert found.high - found.low == pytest.approx(2 * 1.96 * spread, rel=0.08)


def test_what_two_methods_share_cancels_in_their_difference() -> None:
    hard = np.random.default_rng(1).integers(0, 20, 60)
    weights = animal_weights(60, 500, seed=1)
    first, second = count_error(hard.tolist()), count_error((hard + 1).tolist())
    paired = sample(first, weights).minus(sample(second, weights)).estimate()
    assert (paired.value, paired.low, paired.high) == pytest.approx((-1, -1, -1))
    alone = estimate(first, weights)
    assert alone.low is not None
    assert alone.high is not None
    assert alone.high - alone.low > 2


def test_nothing_to_measure_is_unknown() -> None:
    weights = animal_weights(3, 20, seed=0)
    assert estimate(count_error([None, None, None]), weights).value is None
    assert estimate(count_error([None, -4, 2]), weights).value == 3.0


@pytest.fixture(scope="module")
def comparison(data_set: DataSet, own: MethodResults) -> Comparison:
    blind = MethodResults(found=own.found)
    entries = [
        Entry("ours", own),
        *entries_of_own_detections(data_set, own, SETTINGS.track),
        entry_of_results("theirs", data_set, blind, {"level": 0.25}),
    ]
    return compare_entries(data_set, entries, resamples=200, seed=3)


def test_each_entry_has_the_figures_that_it_gives(comparison: Comparison) -> None:
    entries = {each.name: each for each in comparison.entries}
    assert set(entries["ours"].figures) == {"AP50", "AP50:95", "HOTA", "count error"}
    assert set(entries["theirs"].figures) == {"AP50", "AP50:95", "count error"}
    assert (entries["theirs"].counts_note, entries["theirs"].counted) == ("most in one frame", 4)
    assert set(entries["ours, sum over clips"].figures) == {"count error"}
    merged, unmerged = (
        entries[f"ours, {name}"].figures["count error"].value for name in ("sum over clips", "tracks, not merged")
    )
    assert (merged, unmerged) == (2.0, 1.0)  # three crossed; one listing with two sightings in one clip
    assert entries["theirs"].first_minus_this["AP50"].value == 0.0
    assert entries["ours"].first_minus_this == {}


def test_the_table_shows_figures_differences_settings_and_people(comparison: Comparison) -> None:
    lines = comparison_table(comparison).splitlines()
    assert lines[0] == "set: 4 animals, 100 frames; 95 % intervals over 200 draws of animals (seed 3)"
    assert sum(line.startswith("  theirs") for line in lines) == 2
    assert "theirs: level 0.25" in lines
    assert "theirs: counted as most in one frame" in lines
    _, minus_sums = (line for line in lines if line.startswith("  ours, sum over clips"))
    assert minus_sums.split()[-3:] == ["-1.00", *minus_sums.split()[-2:]]
    assert max(map(len, lines)) <= 128
    assert any("Nothing here says that a program" in line for line in lines)


def test_entries_have_distinct_names() -> None:
    nothing = MethodResults()
    names = [
        each.name for each in with_distinct_names([Entry(name, nothing) for name in ("ours", "a", "ours", "ours")])
    ]
    assert names == ["ours", "a", "ours (2)", "ours (3)"]
