"""Follicles told against follicles that the sweeps crossed."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import pytest

from pipeline.bench.count_comparison import CountComparison
from pipeline.bench.follicle_counts import follicle_metrics
from pipeline.bench.follicle_table import follicle_lines
from pipeline.bench.size_metrics import FollicleDiameters

ROW = CountComparison(
    animal="AF-1",
    species=None,
    carried=0,
    crossed=0,
    follicles_carried=14,
    follicles_crossed=10,
    stage_crossed="follicle",
    at_least=0,
    estimate=0,
    interval90=(0, 1),
    follicles_at_least=6,
    follicles_estimate=10,
    follicles_interval90=(8, 12),
)
EMPTY = replace(ROW, follicles_carried=0, follicles_crossed=0, follicles_at_least=0, follicles_estimate=0)
NO_DIAMETERS = FollicleDiameters(0, 0, None)


def counted(row: CountComparison, number: int) -> CountComparison:
    return replace(row, follicles_estimate=number, follicles_interval90=(number, number + 1))


def result(animal: str, stages: list[str], statuses: list[str]) -> dict[str, Any]:
    return {
        "animal": animal,
        "eggs": [{"stage": stage} for stage in stages],
        "clips": [{"status": status} for status in statuses],
    }


def test_counts_are_compared_with_crossed_follicles() -> None:
    rows = [
        ROW,
        counted(ROW, 13),  # off by three, more than a quarter of ten
        replace(counted(ROW, 9), follicles_at_least=11),  # the lower bound is one too many
        counted(replace(ROW, follicles_crossed=20), 15),  # off by a quarter
        counted(replace(ROW, follicles_crossed=2), 0),  # off by two
        EMPTY,
    ]
    metrics = follicle_metrics(rows, [])
    assert {name: each.animals for name, each in metrics.by_number.items()} == {
        "none": 1,
        "1 to 8": 1,
        "above 8": 4,
        "1 or more": 5,
        "all": 6,
    }
    counts = metrics.by_number["1 or more"]
    assert (counts.bias, counts.mean_absolute_error) == (pytest.approx(-5 / 5), pytest.approx(11 / 5))
    assert (counts.within_2_or_quarter, counts.interval_coverage) == (pytest.approx(4 / 5), pytest.approx(2 / 5))
    # So is that of the animal with two crossed follicles, of which six are called certain.
    assert counts.lower_bound_violations == 2
    line = next(line for line in follicle_lines(metrics, NO_DIAMETERS) if "1 or more" in line)
    assert line.split()[3:] == ["5", "80%", "-1.00", "2.20", "40%", "2"]


def test_an_animal_with_only_follicles_must_be_told_follicles_and_no_eggs() -> None:
    rows = [
        ROW,
        replace(ROW, estimate=1),
        counted(ROW, 0),  # told nothing
        replace(counted(ROW, 0), estimate=2),  # told eggs
        replace(ROW, carried=3, estimate=3),  # has eggs too
        replace(ROW, follicles_crossed=0),  # no sweep crossed one
        replace(ROW, follicles_estimate=None, estimate=None),  # without a result
    ]
    metrics = follicle_metrics(rows, [])
    assert (metrics.follicles_only, metrics.follicles_only_told_eggs, metrics.follicles_only_told_nothing) == (4, 2, 1)
    lines = list(follicle_lines(metrics, NO_DIAMETERS))
    assert lines[-1] == "  animals with only follicles: told shelled eggs 2 of 4 (50%), told nothing 1 of 4 (25%)"


def test_an_animal_with_nothing_must_be_told_nothing() -> None:
    rows = [
        replace(EMPTY, animal="A"),
        replace(EMPTY, animal="B", estimate=1),
        replace(counted(EMPTY, 3), animal="C"),
        ROW,
    ]
    results = [
        result("A", [], ["done", "refused"]),
        result("B", ["calcified"], ["done"]),
        result("C", ["follicle"] * 3, ["done", "done"]),
        result("AF-1", ["follicle"] * 9, ["done"]),
    ]
    empty = follicle_metrics(rows, results).with_nothing
    assert (empty.animals, empty.told_eggs, empty.told_follicles, empty.clips) == (3, 1, 1, 4)
    assert (empty.eggs_per_clip, empty.follicles_per_clip) == (1 / 4, 3 / 4)
    assert follicle_metrics(rows[:1], []).with_nothing.follicles_per_clip is None


def test_no_lines_without_follicles_and_without_results() -> None:
    nothing = follicle_metrics([replace(ROW, follicles_estimate=None)], [])
    assert nothing.by_number == {}
    assert list(follicle_lines(nothing, NO_DIAMETERS)) == []
    assert "(2 by the widest section): median absolute error 0.50 mm" in next(
        follicle_lines(nothing, FollicleDiameters(5, 2, 0.5))
    )
