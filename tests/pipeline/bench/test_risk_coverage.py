"""Risk over coverage, on animals whose order can be told by hand."""

from __future__ import annotations

from dataclasses import replace

import pytest

from pipeline.bench.count_comparison import CountComparison
from pipeline.bench.risk_coverage import risk_coverage
from tests.pipeline.bench.test_count_metrics import ROW

SURE = replace(ROW, severity=None, confidence=0.99, stage_probability=0.99)
OFF = replace(SURE, estimate=8)  # 6 were crossed
OTHER_STAGE = replace(SURE, stage="mixed")


def animals(*rows: CountComparison) -> list[CountComparison]:
    return [replace(row, animal=f"AF-{number}") for number, row in enumerate(rows)]


def test_the_flagged_quarter_holds_the_wrong_ones() -> None:
    rows = animals(SURE, SURE, SURE, replace(OFF, severity="vet today"))
    found = risk_coverage(rows)
    assert (found.animals, found.wrong, found.wrong_by_count, found.wrong_by_stage, found.reviewed_animals) == (
        4,
        1,
        1,
        0,
        1,
    )
    assert (found.captured, found.captured_ideal, found.captured_random) == (1.0, 1.0, 0.25)
    assert found.coverage == (1.0, 0.75, 0.5, 0.25, 0.0)
    assert found.risk == (0.25, 0.0, 0.0, 0.0, 0.0)


def test_a_wrong_one_that_nothing_points_at_is_passed() -> None:
    found = risk_coverage(animals(OTHER_STAGE, SURE, replace(SURE, severity="check"), replace(SURE, severity="note")))
    assert (found.wrong_by_count, found.wrong_by_stage) == (0, 1)
    assert found.captured == 0.0
    assert found.risk == pytest.approx((1 / 4, 1 / 3, 0.0, 0.0, 0.0))  # second: a note asks for nobody


def test_equals_go_by_doubt_and_the_gravest_flag_goes_first() -> None:
    doubtful = replace(OFF, confidence=0.3)
    assert risk_coverage(animals(SURE, SURE, SURE, doubtful)).captured == 1.0
    grave = replace(SURE, severity="vet today")
    assert risk_coverage(animals(grave, SURE, SURE, doubtful)).captured == 0.0
    unsure_stage = replace(OTHER_STAGE, stage_probability=0.4)
    assert risk_coverage(animals(SURE, SURE, SURE, unsure_stage)).captured == 1.0


def test_one_egg_off_is_right_and_none_seen_is_the_stage_of_none() -> None:
    one_off = replace(SURE, estimate=7)
    empty = replace(SURE, crossed=0, estimate=0, stage_crossed="none", stage="none seen")
    found = risk_coverage(animals(one_off, empty))
    assert found.wrong == 0
    assert found.captured is None


def test_more_wrong_ones_than_a_quarter_can_hold() -> None:
    found = risk_coverage(animals(*[OFF] * 6, SURE, SURE))
    assert found.reviewed_animals == 2
    assert found.captured_ideal == pytest.approx(2 / 6)


def test_animals_without_a_result_are_left_out() -> None:
    assert risk_coverage([replace(SURE, estimate=None)]).animals == 0
    assert risk_coverage([]).risk == (0.0,)
