from __future__ import annotations

import json
from pathlib import Path

import pytest

from pipeline.bench.frame_rates import (
    AnimalAtRates,
    count_at_rates,
    frame_rate_document,
    frame_rate_metrics,
    frame_rate_table,
)
from pipeline.bench.ground_truth import open_data_set
from pipeline.settings import load_settings
from tests.pipeline.bench.data_set_files import DATE, write_truth
from tests.pipeline.blob_finder import BlobFinder, write_exam_folder

ANIMALS = [
    AnimalAtRates("AF-1", crossed=5, estimates={1: 5, 5: 5}),
    AnimalAtRates("AF-2", crossed=5, estimates={1: 7, 5: 6}),
    AnimalAtRates("AF-3", crossed=0, estimates={1: 0, 5: 2}),
    AnimalAtRates("AF-4", crossed=9, estimates={1: 8, 5: 8}),
]


def test_estimates_are_compared_with_those_from_all_frames_and_with_the_truth() -> None:
    full, fifth = frame_rate_metrics(ANIMALS)
    assert (full.stride, full.animals, full.equal, full.within_1_of_all_frames) == (1, 4, 1.0, 1.0)
    assert (full.exact, full.within_1, full.bias) == (0.5, 0.75, pytest.approx(0.25))
    assert (fifth.stride, fifth.equal, fifth.within_1_of_all_frames) == (5, 0.5, 0.75)
    assert (fifth.within_1, fifth.bias, fifth.mean_absolute_error) == (0.75, pytest.approx(0.5), pytest.approx(1.0))
    assert frame_rate_metrics([]) == []


def test_table_and_document_have_a_line_for_each_rate() -> None:
    lines = frame_rate_table("set", ANIMALS).splitlines()
    assert lines[0] == "set: 4 animals"
    assert lines[-1].split() == ["every", "5.", "5.0", "|", "50%", "75%", "|", "25%", "75%", "+0.50", "1.00"]
    document = json.loads(json.dumps(frame_rate_document("set", ANIMALS)))
    assert [rate["stride"] for rate in document["rates"]] == [1, 5]


def test_animals_are_estimated_at_each_rate(tmp_path: Path) -> None:
    write_exam_folder(tmp_path, "AF-0001", {"left-1.mp4": 2}, date=DATE)
    write_truth(tmp_path, [], animals=("AF-0001",), carried=2, crossed=2)
    done: list[tuple[int, int]] = []
    data_set = open_data_set(tmp_path)
    (animal,) = count_at_rates(
        data_set, BlobFinder(), load_settings(), progress=lambda *steps: done.append((steps[0], steps[1]))
    )
    assert (animal.animal, animal.crossed, animal.estimates[1], list(animal.estimates)) == (
        "AF-0001",
        2,
        2,
        [1, 2, 3, 5],
    )
    assert done == [(1, 1)]
