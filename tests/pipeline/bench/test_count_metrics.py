from __future__ import annotations

from dataclasses import replace

import pytest

from pipeline.bench.count_comparison import CountComparison
from pipeline.bench.count_metrics import count_metrics, count_metrics_by_clutch

ROW = CountComparison(
    animal="AF-1",
    species=None,
    carried=8,
    crossed=6,
    follicles_carried=0,
    follicles_crossed=0,
    stage_crossed="calcified",
    at_least=4,
    estimate=6,
    interval90=(5, 9),
    follicles_estimate=0,
    stage="calcified",
    review_flags=0,
    confidence=0.9,
)


def test_counts_are_compared_with_crossed_eggs() -> None:
    rows = [
        replace(ROW, at_least=6),
        replace(ROW, estimate=8, at_least=7),  # two too many, and the lower bound one too many
        replace(ROW, estimate=0, interval90=(0, 2), at_least=0),  # reported as none seen
    ]
    metrics = count_metrics(rows)
    assert (metrics.animals, metrics.missing) == (3, 0)
    assert (metrics.exact, metrics.within_1, metrics.within_2) == (
        pytest.approx(1 / 3),
        pytest.approx(1 / 3),
        pytest.approx(2 / 3),
    )
    assert (metrics.bias, metrics.mean_absolute_error) == (pytest.approx(-4 / 3), pytest.approx(8 / 3))
    assert (metrics.interval_coverage, metrics.interval_width_median) == (pytest.approx(2 / 3), 4.0)
    assert (metrics.lower_bound_violations, metrics.missed_gravid, metrics.egg_free) == (1, 1, 0)
    # A third is within one, and the confidence is always 0.9.
    assert (metrics.confidence, metrics.calibration_error) == (pytest.approx(0.9), pytest.approx(0.9 - 1 / 3))


def test_each_animal_is_in_the_strata_of_its_clutch() -> None:
    rows = [replace(ROW, crossed=crossed, estimate=crossed) for crossed in (0, 1, 15, 16, 24, 25, 60)]
    wrong = replace(ROW, crossed=20, estimate=25, at_least=21)
    strata = count_metrics_by_clutch([*rows, wrong])
    assert {name: each.animals for name, each in strata.items()} == {
        "none": 1,
        "1 to 15": 2,
        "up to 15": 3,
        "16 to 24": 3,
        "above 24": 2,
    }
    assert (strata["16 to 24"].bias, strata["16 to 24"].lower_bound_violations) == (pytest.approx(5 / 3), 1)
    assert strata["above 24"].exact == 1.0
    assert list(count_metrics_by_clutch([ROW])) == ["1 to 15", "up to 15"]


def test_an_egg_free_animal_reported_with_eggs_is_false_gravid_and_uncrossed_eggs_are_not_missed() -> None:
    empty = replace(ROW, carried=0, crossed=0)
    metrics = count_metrics([empty, replace(empty, estimate=0), replace(ROW, crossed=0)])
    assert (metrics.egg_free, metrics.false_gravid, metrics.missed_gravid) == (2, 1, 0)


def test_an_animal_without_a_result_is_missing() -> None:
    metrics = count_metrics([replace(ROW, estimate=None, at_least=None, interval90=None)])
    assert (metrics.animals, metrics.missing, metrics.exact, metrics.interval_width_median) == (0, 1, None, None)


def test_partly_occluded_eggs_are_ignored() -> None:
    rows = [
        replace(ROW, crossed=5, shown=7, estimate=estimate, interval90=(estimate, estimate + 1))
        for estimate in (3, 4, 5, 6, 7, 8, 10)
    ]
    ignoring = count_metrics(rows).ignoring_occluded
    assert ignoring is not None
    assert ignoring.exact == pytest.approx(3 / 7)
    assert ignoring.within_1 == pytest.approx(5 / 7)
    assert ignoring.bias == pytest.approx((-2 - 1 + 1 + 3) / 7)
    assert ignoring.interval_coverage == pytest.approx(4 / 7)
    # Unknown values are not guessed.
    assert count_metrics([*rows, replace(ROW, shown=None)]).ignoring_occluded is None
