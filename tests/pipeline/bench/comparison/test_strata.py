"""Figures by stratum are those of COCO on the objects of the stratum."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from pipeline.bench.comparison.compare import compare_entries
from pipeline.bench.comparison.entries import Entry
from pipeline.bench.comparison.object_strata import object_strata_figures
from pipeline.bench.comparison.recording_strata import recording_strata
from pipeline.bench.comparison.stated_trust import count_reliability, review_of_counts
from pipeline.bench.comparison.strata_table import strata_lines
from pipeline.bench.data_set_metrics import measure_data_set
from pipeline.bench.exported_detections import detection_table
from pipeline.bench.ground_truth import DataSet, open_data_set
from pipeline.bench.results.method_results import MethodResults
from pipeline.bench.stated_counts import StatedCounts
from tests.pipeline.bench.data_set_files import DATE, SETTINGS, detection_annotation, object_annotation, write_truth
from tests.pipeline.blob_finder import write_exam_folder

ANIMALS, FRAMES = ("AF-1", "AF-2", "AF-3"), 12
ONCE = np.ones((1, len(ANIMALS)))


@pytest.fixture(scope="module")
def data_set(tmp_path_factory: pytest.TempPathFactory) -> DataSet:
    """A near, large, calcified, free egg and a deep, small, thin-shelled, half hidden one in each frame."""
    objects = [
        row
        for image in range(1, len(ANIMALS) * FRAMES + 1)
        for row in (
            object_annotation(image, 3, [100.0, 100.0, 40.0, 30.0, 0.0], depth_mm=10, visible=1.0, track=1),
            object_annotation(image, 2, [300.0, 300.0, 15.0, 12.0, 0.0], depth_mm=50, visible=0.6, track=2),
        )
    ]
    folder = tmp_path_factory.mktemp("strata") / "set"
    write_truth(folder, objects, animals=ANIMALS, frames=FRAMES, mm_per_px=0.5, crossed=2)
    return open_data_set(folder)


@pytest.fixture(scope="module")
def near_only(data_set: DataSet) -> MethodResults:
    """Finds the near egg everywhere, and the deep one in every third frame."""
    rows = []
    for frame in range(len(data_set.frames.ids)):
        rows.append((frame, detection_annotation(frame, 3, [101.0, 100.0, 40.0, 30.0, 0.0], score=0.9)))
        if frame % 3 == 0:
            rows.append((frame, detection_annotation(frame, 2, [300.0, 301.0, 15.0, 12.0, 0.0], score=0.8)))
    return MethodResults(found=detection_table(rows, frames_used=len(data_set.frames.ids)))


def test_each_kind_tells_what_is_found_from_what_is_missed(data_set: DataSet, near_only: MethodResults) -> None:
    assert near_only.found is not None
    figures = object_strata_figures(data_set, near_only.found, ONCE)
    by_name = {(each.kind, each.name): each.figures["AP50"].value for each in figures}
    found = {("depth", "below 20 mm"), ("shadow", "up to 1/4 hidden"), ("stage", "calcified"), ("size", "from 30 mm")}
    missed = {
        ("depth", "40 to 60 mm"),
        ("shadow", "1/4 to half hidden"),
        ("stage", "thin-shelled"),
        ("size", "below 20 mm"),
    }
    assert set(by_name) == found | missed
    assert {name: by_name[name] for name in found} == pytest.approx(dict.fromkeys(found, 1.0))
    assert {name: by_name[name] for name in missed} == pytest.approx(dict.fromkeys(missed, 34 / 101))
    assert {each.animals for each in figures} == {3}


def test_by_depth_they_are_those_of_bench_accuracy(data_set: DataSet, near_only: MethodResults) -> None:
    assert near_only.found is not None
    metrics = measure_data_set(data_set, near_only, SETTINGS)
    assert metrics.detection is not None
    known = {each.name: each.shelled.ap50 for each in metrics.detection.strata if each.kind == "depth"}
    own = object_strata_figures(data_set, near_only.found, ONCE)
    for each in own:
        if each.kind == "depth":
            assert each.figures["AP50"].value == pytest.approx(known[each.name])


def test_a_comparison_has_strata_of_objects_and_animals(data_set: DataSet, near_only: MethodResults) -> None:
    hands = dict(zip(ANIMALS, ("a", "a", "b"), strict=True))
    known = replace(
        data_set,
        animals={name: replace(truth, world={"hand": hands[name]}) for name, truth in data_set.animals.items()},
    )
    counts = {name: StatedCounts(estimate=2 + (name == "AF-3")) for name in ANIMALS}
    compared = compare_entries(known, [Entry("ours", replace(near_only, counts=counts))], resamples=20, seed=0)
    (entry,) = compared.entries
    strata = {(each.kind, each.name): each for each in entry.strata}
    assert strata["hand", "b"].figures["count error"].value == 1
    assert strata["hand", "b"].minus_others["count error"].value == 1
    assert strata["clutch", "1 to 15"].animals == 3
    assert strata["clutch", "1 to 15"].minus_others == {}
    lines = list(strata_lines(compared.entries))
    assert lines[0].split() == ["AP50", "by", "animals", "ours"]
    assert any(line.split() == ["hand:", "b", "1", "1.00"] for line in lines)
    assert compared.document()["entries"][0]["strata"]


def test_confidence_is_compared_with_what_came_true(data_set: DataSet) -> None:
    stated = {
        name: StatedCounts(estimate=estimate, confidence=confidence, stage="mixed", stage_probability=0.9)
        for name, estimate, confidence in zip(ANIMALS, (2, 3, 9), (0.95, 0.95, 0.35), strict=True)
    }
    results = MethodResults(counts=stated)
    low, high = count_reliability(data_set, results)
    assert (low.cases, low.accuracy, high.cases, high.accuracy) == (1, 0.0, 2, 1.0)
    review = review_of_counts(data_set, results)
    assert review is not None
    assert (review.animals, review.wrong_by_count) == (3, 1)
    silent = MethodResults(counts={name: StatedCounts(estimate=2) for name in ANIMALS})
    assert (count_reliability(data_set, silent), review_of_counts(data_set, silent)) == ((), None)


def test_recordings_are_told_apart_by_brightness_and_frame_rate(tmp_path: Path) -> None:
    for seed, animal in enumerate(ANIMALS):
        write_exam_folder(tmp_path / "set", animal, {"left-1.mp4": seed}, date=DATE, seed=seed)
    write_truth(tmp_path / "set", [], animals=ANIMALS, frames=40)
    strata = recording_strata(open_data_set(tmp_path / "set"), SETTINGS.ingest)
    thirds = [each for each in strata if each.kind == "gain"]
    assert [each.animals.tolist() for each in thirds] == np.eye(3, dtype=bool).tolist()  # more eggs, so brighter
    (rate,) = (each for each in strata if each.kind == "frame rate")
    assert rate.animals.all()
