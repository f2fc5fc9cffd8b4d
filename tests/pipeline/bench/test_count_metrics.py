from __future__ import annotations

from dataclasses import replace

import pytest

from pipeline.bench.count_comparison import CountComparison
from pipeline.bench.count_metrics import count_metrics

ROW = CountComparison(
    animal="AF-1",
    species=None,
    carried=8,
    crossed=6,
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


def test_counts_are_held_against_what_was_crossed() -> None:
    rows = [
        replace(ROW, at_least=6),
        replace(ROW, estimate=8, at_least=7),  # two too many, and so is the bound
        replace(ROW, estimate=0, interval90=(0, 2), at_least=0),  # called empty
    ]
    figures = count_metrics(rows)
    assert (figures.animals, figures.missing) == (3, 0)
    assert (figures.exact, figures.within_1, figures.within_2) == (
        pytest.approx(1 / 3),
        pytest.approx(1 / 3),
        pytest.approx(2 / 3),
    )
    assert (figures.bias, figures.mean_absolute_error) == (pytest.approx(-4 / 3), pytest.approx(8 / 3))
    assert (figures.interval_coverage, figures.interval_width_median) == (pytest.approx(2 / 3), 4.0)
    assert (figures.lower_bound_violations, figures.missed_gravid, figures.egg_free) == (1, 1, 0)
    # Within one in a third, stated 0.9 each time.
    assert (figures.confidence, figures.calibration_error) == (pytest.approx(0.9), pytest.approx(0.9 - 1 / 3))


def test_the_width_is_told_of_small_clutches_apart() -> None:
    figures = count_metrics([ROW, replace(ROW, carried=40, crossed=40, estimate=40, interval90=(30, 50))])
    assert (figures.interval_width_median, figures.small_clutch_width_median) == (12.0, 4.0)
    assert count_metrics([replace(ROW, carried=40, crossed=40)]).small_clutch_width_median is None


def test_an_egg_free_animal_with_eggs_is_a_false_alarm_and_out_of_reach_is_none() -> None:
    empty = replace(ROW, carried=0, crossed=0)
    figures = count_metrics([empty, replace(empty, estimate=0), replace(ROW, crossed=0)])
    assert (figures.egg_free, figures.false_gravid, figures.missed_gravid) == (2, 1, 0)


def test_an_animal_without_a_result_is_missing_and_not_right() -> None:
    figures = count_metrics([replace(ROW, estimate=None, at_least=None, interval90=None)])
    assert (figures.animals, figures.missing, figures.exact, figures.interval_width_median) == (0, 1, None, None)


def test_eggs_that_only_show_count_neither_way() -> None:
    rows = [
        replace(ROW, crossed=5, shown=7, estimate=estimate, interval90=(estimate, estimate + 1))
        for estimate in (3, 4, 5, 6, 7, 8, 10)
    ]
    either = count_metrics(rows).ignoring_occluded
    assert either is not None
    assert either.exact == pytest.approx(3 / 7)
    assert either.within_1 == pytest.approx(5 / 7)
    assert either.bias == pytest.approx((-2 - 1 + 1 + 3) / 7)
    assert either.interval_coverage == pytest.approx(4 / 7)
    # As everywhere, what the truth does not tell is not guessed.
    assert count_metrics([*rows, replace(ROW, shown=None)]).ignoring_occluded is None
