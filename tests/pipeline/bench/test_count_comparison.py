"""Ground truth and estimate of each animal."""

from __future__ import annotations

import json
from typing import Any

from pipeline.bench.animal_truth import animal_truth
from pipeline.bench.count_comparison import CountComparison, compare_animal, compare_counts, comparison_table
from pipeline.bench.stated_counts import counts_of_finding, counts_of_result
from pipeline.estimate.results import Count, ExamFinding, Flag
from tests.pipeline.bench.data_set_files import DATE

ENTRIES = {
    "AF-0001": {
        "species": "Emys orbicularis",
        "in_animal": {"follicle": 0, "thin-shelled": 1, "calcified": 9},
        "seen": {"follicle": 0, "thin-shelled": 0, "calcified": 8},
    },
    "AF-0002": {
        "species": None,
        "in_animal": {"follicle": 0, "thin-shelled": 0, "calcified": 0},
        "seen": {"follicle": 0, "thin-shelled": 0, "calcified": 0},
    },
    "AF-0003": {
        "species": None,
        "in_animal": {"follicle": 7, "thin-shelled": 2, "calcified": 0},
        "seen": {"follicle": 6, "thin-shelled": 2, "calcified": 0},
    },
}


TRUTH = {animal: animal_truth(entry | {"date": DATE}) for animal, entry in ENTRIES.items()}


def result(animal: str, shelled: int, stage: str) -> dict[str, object]:
    return {
        "animal": animal,
        "shelled": {"at_least": min(shelled, 5), "estimate": shelled, "interval90": [shelled, shelled + 3]},
        "follicles": {"at_least": 0, "estimate": 0, "interval90": [0, 1]},
        "stage": {"overall": stage, "probability": 0.9},
        "confidence": 0.8,
        "flags": [{"severity": "vet today"}, {"severity": "check"}, {"severity": "note"}],
    }


def compare_results(*results: dict[str, Any]) -> list[CountComparison]:
    return compare_counts(TRUTH, {each["animal"]: counts_of_result(each) for each in results})


def test_each_animal_has_a_row_with_or_without_a_result() -> None:
    rows = compare_results(result("AF-0002", 0, "none seen"), result("AF-0001", 7, "calcified"))
    assert [row.animal for row in rows] == ["AF-0001", "AF-0002", "AF-0003"]
    first, _, third = rows
    assert (first.carried, first.crossed, first.estimate, first.interval90) == (10, 8, 7, (7, 10))
    assert (first.stage_crossed, first.stage, first.review_flags) == ("calcified", "calcified", 2)
    assert (first.severity, first.confidence, first.stage_probability) == ("vet today", 0.8, 0.9)
    assert (third.carried, third.crossed, third.follicles_crossed, third.stage_crossed) == (2, 2, 6, "mixed")
    assert (third.follicles_carried, first.follicles_at_least, first.follicles_interval90) == (7, 0, (0, 1))
    assert (third.estimate, third.stage, third.follicles_interval90) == (None, None, None)
    json.dumps([row.document() for row in rows])


def test_an_estimate_in_memory_gives_the_same_row_as_its_result() -> None:
    flags = (Flag("nothing-usable", "vet today", "x"), Flag("low-confidence", "check", "x"), Flag("note", "note", "x"))
    finding = ExamFinding(
        shelled=Count(5, 7, (7, 10)),
        follicles=Count(0, 0, (0, 1)),
        stage="calcified",
        stage_probability=0.9,
        confidence=0.8,
        flags=flags,
        eggs=(),
    )
    from_result = compare_results(result("AF-0001", 7, "calcified"))[0]
    assert compare_animal("AF-0001", TRUTH["AF-0001"], counts_of_finding(finding)) == from_result


def test_each_column_is_under_its_heading() -> None:
    rows = compare_results(result("AF-0001", 7, "calcified"), result("AF-0002", 0, "none seen"))
    heading, first, second, third, legend = comparison_table(rows).splitlines()
    assert heading.split()[:2] == ["animal", "species"]
    assert first.split()[:5] == ["AF-0001", "Emys", "orbicularis", "10", "8"]
    assert first.split()[5:] == ["7", "7", "to", "10", "0", "none", "seen", "calcified", "calcified"]
    assert "none seen" in second
    assert third.split()[-1] == "-"
    assert legend.startswith("shelled: ")
    assert first.index("calcified") == heading.index("stage")
