"""Risk and coverage of a few animals whose order is easy to see."""

from __future__ import annotations

from dataclasses import replace

import pytest

from pipeline.bench.count_comparison import CountComparison
from pipeline.bench.risk_coverage import risk_coverage
from tests.pipeline.bench.test_count_metrics import ROW

RIGHT = replace(ROW, severity=None, confidence=0.99, stage_probability=0.99)
WRONG_COUNT = replace(RIGHT, estimate=8)  # 6 were crossed
WRONG_STAGE = replace(RIGHT, stage="mixed")


def animals(*rows: CountComparison) -> list[CountComparison]:
    return [replace(row, animal=f"AF-{number}") for number, row in enumerate(rows)]


def test_the_reviewed_quarter_contains_the_wrong_results() -> None:
    rows = animals(RIGHT, RIGHT, RIGHT, replace(WRONG_COUNT, severity="vet today"))
    metrics = risk_coverage(rows)
    assert (
        metrics.animals,
        metrics.wrong,
        metrics.wrong_by_count,
        metrics.wrong_by_stage,
        metrics.reviewed_animals,
    ) == (
        4,
        1,
        1,
        0,
        1,
    )
    assert (metrics.captured, metrics.captured_ideal, metrics.captured_random) == (1.0, 1.0, 0.25)
    assert metrics.coverage == (1.0, 0.75, 0.5, 0.25, 0.0)
    assert metrics.risk == (0.25, 0.0, 0.0, 0.0, 0.0)


def test_a_wrong_result_without_a_flag_is_not_reviewed() -> None:
    metrics = risk_coverage(
        animals(WRONG_STAGE, RIGHT, replace(RIGHT, severity="check"), replace(RIGHT, severity="note"))
    )
    assert (metrics.wrong_by_count, metrics.wrong_by_stage) == (0, 1)
    assert metrics.captured == 0.0
    assert metrics.risk == pytest.approx((1 / 4, 1 / 3, 0.0, 0.0, 0.0))  # second: a note asks for no review


def test_the_most_urgent_flag_comes_first_and_then_the_least_certain_result() -> None:
    uncertain = replace(WRONG_COUNT, confidence=0.3)
    assert risk_coverage(animals(RIGHT, RIGHT, RIGHT, uncertain)).captured == 1.0
    urgent = replace(RIGHT, severity="vet today")
    assert risk_coverage(animals(urgent, RIGHT, RIGHT, uncertain)).captured == 0.0
    uncertain_stage = replace(WRONG_STAGE, stage_probability=0.4)
    assert risk_coverage(animals(RIGHT, RIGHT, RIGHT, uncertain_stage)).captured == 1.0


def test_wrong_counts_are_also_searched_for_by_confidence_alone() -> None:
    rows = animals(
        replace(RIGHT, severity="vet today"),
        replace(WRONG_STAGE, severity="check"),
        replace(WRONG_COUNT, confidence=0.2),
        RIGHT,
    )
    metrics = risk_coverage(rows)
    assert (metrics.reviewed_animals, metrics.wrong, metrics.wrong_by_count) == (1, 2, 1)
    assert (metrics.wrong_counts_captured, metrics.wrong_counts_least_confident) == (0.0, 1.0)
    assert metrics.wrong_counts_ideal == 1.0
    assert risk_coverage(animals(WRONG_STAGE, RIGHT)).wrong_counts_least_confident is None


def test_one_egg_more_is_right_and_none_seen_is_the_stage_without_eggs() -> None:
    one_more = replace(RIGHT, estimate=7)
    empty = replace(RIGHT, crossed=0, estimate=0, stage_crossed="none", stage="none seen")
    metrics = risk_coverage(animals(one_more, empty))
    assert metrics.wrong == 0
    assert metrics.captured is None


def test_more_wrong_results_than_reviewed_animals() -> None:
    metrics = risk_coverage(animals(*[WRONG_COUNT] * 6, RIGHT, RIGHT))
    assert metrics.reviewed_animals == 2
    assert metrics.captured_ideal == pytest.approx(2 / 6)


def test_animals_without_a_result_are_left_out() -> None:
    assert risk_coverage([replace(RIGHT, estimate=None)]).animals == 0
    assert risk_coverage([]).risk == (0.0,)
