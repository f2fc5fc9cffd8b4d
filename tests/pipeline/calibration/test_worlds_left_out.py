from __future__ import annotations

import json
from collections.abc import Sequence
from dataclasses import replace
from typing import Any

import numpy as np
import pytest

from pipeline.bench.animal_truth import AnimalTruth, ObjectNumbers
from pipeline.calibration import worlds_left_out
from pipeline.calibration.training_exams import TrainingExam
from pipeline.calibration.worlds_left_out import (
    ALL_VALUES,
    FollicleMetrics,
    KnownExam,
    WorldMetrics,
    leave_worlds_out,
    worlds_document,
    worlds_table,
)
from pipeline.settings import load_settings
from tests.pipeline.bench.data_set_files import DATE
from tests.pipeline.calibration.simulated_exams import training_exam

SETTINGS = load_settings()


def known_exams(worlds: Sequence[dict[str, str]]) -> list[KnownExam]:
    """One animal in each world, named after its place."""
    rng, known = np.random.default_rng(2), []
    for number, world in enumerate(worlds):
        eggs = number % 4
        training = training_exam(rng, eggs, 1)
        training = replace(training, exam=replace(training.exam, animal=f"AF-{number}"))
        numbers = ObjectNumbers(calcified=eggs)
        known.append(KnownExam(training, AnimalTruth(DATE, None, numbers, numbers, None, {}, None, world)))
    return known


WORLDS = [{"hand": "fanning" if n % 3 == 0 else "sweeping", "screen": "plain"} for n in range(9)] + [{}]


@pytest.fixture
def learned_from(monkeypatch: pytest.MonkeyPatch) -> list[set[str]]:
    """The animals of each calibration that is learned."""
    calls: list[set[str]] = []
    calibrate = worlds_left_out.calibrate_counts

    def record(training_exams: Sequence[TrainingExam], *others: Any) -> Any:
        calls.append({each.exam.animal for each in training_exams})
        return calibrate(training_exams, *others)

    monkeypatch.setattr(worlds_left_out, "calibrate_counts", record)
    return calls


def test_each_value_is_tested_with_what_was_learned_without_it(learned_from: list[set[str]]) -> None:
    fanning, sweeping, both, plain = leave_worlds_out(known_exams(WORLDS), SETTINGS)
    assert [(each.key, each.value, each.learned_from, each.animals) for each in (fanning, sweeping, both, plain)] == [
        ("hand", "fanning", 7, 3),
        ("hand", "sweeping", 4, 6),
        ("hand", ALL_VALUES, 10, 9),
        ("screen", "plain", 1, 9),
    ]
    everyone, *others = learned_from
    assert everyone == {f"AF-{n}" for n in range(10)}
    # The animal without a world is in none of the tests and is always learned from.
    assert others == [
        {f"AF-{n}" for n in (1, 2, 4, 5, 7, 8, 9)},
        {f"AF-{n}" for n in (0, 3, 6, 9)},
        {"AF-9"},
    ]
    assert both.wrong == fanning.wrong + sweeping.wrong
    # None of them carries follicles.
    assert (both.follicles.carriers, both.follicles.carriers_told_none) == (0, 0)
    assert both.follicles.right == pytest.approx(
        (3 * (fanning.follicles.right or 0) + 6 * (sweeping.follicles.right or 0)) / 9
    )
    assert both.within_1 == pytest.approx((3 * (fanning.within_1 or 0) + 6 * (sweeping.within_1 or 0)) / 9)


def test_a_value_that_all_animals_have_cannot_be_left_out() -> None:
    assert leave_worlds_out(known_exams([{"screen": "plain"}] * 3), SETTINGS) == []
    assert worlds_table([]) == "No two animals are of different worlds."


def test_table_and_document_show_each_world() -> None:
    follicles = FollicleMetrics(0.5, -1.25, 1.0, 2, 1, 0)
    metrics = [WorldMetrics("hand", "fanning", 7, 3, 2 / 3, 1.0, 0.5, 0.9, 0.08, 1, 1.0, None, follicles)]
    _, line, _, of_follicles, *_ = worlds_table(metrics).splitlines()
    assert of_follicles.split() == ["hand:", "fanning", "3", "50%", "-1.25", "100%", "2", "1", "0"]
    assert line.split() == ["hand:", "fanning", "3", "67%", "100%", "+0.50", "90%", "0.08", "1", "100%", "-"]
    assert json.loads(json.dumps(worlds_document(metrics)))[0]["learned_from"] == 7
