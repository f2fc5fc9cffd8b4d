"""The figures of each world are those of its animals alone."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import pytest

from pipeline.bench.comparison.animal_strata import clutch_strata
from pipeline.bench.count_comparison import compare_counts
from pipeline.bench.ground_truth import DataSet, open_data_set
from pipeline.bench.results.method_results import MethodResults
from pipeline.bench.stated_counts import StatedCounts
from pipeline.bench.world_figures import world_figures, world_lines
from tests.pipeline.bench.data_set_files import write_truth

ERRORS = {"AF-1": 0, "AF-2": 0, "AF-3": 4, "AF-4": 6}


@pytest.fixture
def data_set(tmp_path: Path) -> DataSet:
    """Two animals of each hand, all of one physics."""
    write_truth(tmp_path / "set", [], animals=tuple(ERRORS), crossed=3)
    known = open_data_set(tmp_path / "set")
    hands = ("fanning", "fanning", "sweeping", "sweeping")
    return replace(
        known,
        animals={
            name: replace(truth, world={"hand": hand, "physics": "scatterers"})
            for (name, truth), hand in zip(known.animals.items(), hands, strict=True)
        },
    )


def counts() -> dict[str, StatedCounts]:
    return {name: StatedCounts(estimate=3 + error, interval90=(2, 8)) for name, error in ERRORS.items()}


def test_each_world_is_compared_with_all_others(data_set: DataSet) -> None:
    results = MethodResults(counts=counts())
    fanning, sweeping = world_figures(data_set, results, compare_counts(data_set.animals, counts()))
    assert (fanning.kind, fanning.name, fanning.animals) == ("hand", "fanning", 2)
    assert fanning.figures["count error"].value == 0
    assert fanning.minus_others["count error"].value == -5
    assert fanning.figures["within 1"].value == 1
    assert (sweeping.figures["count error"].value, sweeping.minus_others["count error"].value) == (5, 5)
    low, high = sweeping.figures["count error"].low, sweeping.figures["count error"].high
    assert (low, high) == (4, 6)
    assert sweeping.figures["interval"].value == 1
    lines = list(world_lines([fanning, sweeping]))
    assert lines[1].split()[:4] == ["hand:", "fanning", "2", "0.00"]
    assert "+5.00 [+4.00, +6.00]*" in lines[4]


def test_one_world_is_compared_with_nothing(data_set: DataSet) -> None:
    alike = replace(
        data_set, animals={name: replace(truth, world={"hand": "a"}) for name, truth in data_set.animals.items()}
    )
    rows = compare_counts(alike.animals, counts())
    assert world_figures(alike, MethodResults(counts=counts()), rows) == ()
    assert list(world_lines(())) == []


def test_clutches_do_not_overlap(data_set: DataSet) -> None:
    strata = list(clutch_strata(data_set))
    assert sum(each.animals.sum() for each in strata) == len(ERRORS)
    assert [each.name for each in strata if each.animals.any()] == ["1 to 15"]
