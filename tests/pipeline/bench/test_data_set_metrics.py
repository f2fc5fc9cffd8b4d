"""The metrics of results whose errors are known, because they are deliberate."""

from __future__ import annotations

import contextlib
import io
import json
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from pipeline.bench.data_set_metrics import DataSetMetrics
from pipeline.bench.metrics_table import metrics_table
from tests.pipeline.bench.data_set_files import (
    DATE,
    detection_annotation,
    measure_folder,
    object_annotation,
    write_result,
    write_truth,
)

ROUND, FAR = [100.0, 100.0, 20.0, 20.0, 0.0], [300.0, 200.0, 25.0, 20.0, 30.0]


@pytest.fixture
def mixed(tmp_path: Path) -> DataSetMetrics:
    truth = [
        object_annotation(1, 3, ROUND, visible=0.9, depth_mm=30.0),  # found
        object_annotation(1, 3, FAR, visible=0.4, depth_mm=70.0),  # found, as thin-shelled
        object_annotation(2, 3, ROUND, visible=0.8, depth_mm=30.0),  # missed
        object_annotation(2, 1, FAR, ignored=True, visible=0.2),  # ignored
    ]
    found = [
        detection_annotation(1, 3, [103.0, 104.0, 21.0, 20.0, 0.0]),
        detection_annotation(1, 2, FAR),
        detection_annotation(2, 1, FAR),  # on the ignored one
        detection_annotation(2, 3, [500.0, 400.0, 20.0, 20.0, 0.0]),  # nothing there
        detection_annotation(2, 3, [400.0, 100.0, 20.0, 20.0, 0.0], score=0.4),  # too faint to be counted
    ]
    write_truth(tmp_path / "set", truth, carried=3, crossed=2, mm_per_px=0.5, species="Emys orbicularis")
    write_result(tmp_path / "out", found, at_least=1, estimate=3, interval=(2, 4))
    return measure_folder(tmp_path)


def test_hits_misses_false_positives_and_wrong_stages_are_distinguished(mixed: DataSetMetrics) -> None:
    calcified, shelled, follicle = (mixed.detection.classes[name] for name in ("calcified", "shelled", "follicle"))
    assert (calcified.true_objects, calcified.recall, calcified.precision) == (
        3,
        pytest.approx(1 / 3),
        pytest.approx(1 / 2),
    )
    assert (shelled.recall, shelled.precision) == (pytest.approx(2 / 3), pytest.approx(2 / 3))
    assert (follicle.true_objects, follicle.ap50, follicle.recall, follicle.precision) == (0, None, None, None)
    assert shelled.stage_accuracy == pytest.approx(1 / 2)
    assert mixed.detection.confusion.tolist() == [[0, 0, 0, 0], [0, 0, 0, 0], [0, 1, 1, 1], [0, 0, 1, 0]]
    assert mixed.detection.distinct_follicles is None  # there is no recording


def test_the_highest_probability_of_a_wrong_stage_is_that_of_matched_detections(tmp_path: Path) -> None:
    write_truth(tmp_path / "set", [object_annotation(1, 3, ROUND), object_annotation(2, 3, ROUND)])
    right, wrong, nowhere, faint = (
        detection_annotation(frame, stage, ellipse, score=score) | {"stage_probabilities": probabilities}
        for frame, stage, ellipse, score, probabilities in (
            (1, 3, ROUND, 0.9, [0.0, 0.01, 0.99]),
            (2, 2, ROUND, 0.9, [0.1, 0.7, 0.2]),
            (2, 2, FAR, 0.9, [0.0, 1.0, 0.0]),
            (1, 2, ROUND, 0.4, [0.1, 0.9, 0.0]),
        )
    )
    write_result(tmp_path / "out", [right, wrong, nowhere, faint])
    metrics = measure_folder(tmp_path)
    assert metrics.detection.highest_wrong_stage_probability == 0.7
    assert "highest probability stated for a wrong stage: 0.700" in metrics_table([metrics])


def test_errors_are_in_mm_where_the_scale_is_known_and_in_px_where_not(mixed: DataSetMetrics, tmp_path: Path) -> None:
    errors = mixed.detection.classes["calcified"].errors_mm
    # One centre is off by 5 px (3 and 4), and one semi-axis is 1 px too long; the other object is exact. 0.5 mm per px.
    assert (errors.objects, errors.centre_median, errors.axis_median) == (2, pytest.approx(1.25), pytest.approx(0.125))
    assert (errors.centre_p90, errors.axis_p90) == (pytest.approx(0.9 * 2.5), pytest.approx(0.9 * 0.25))
    assert mixed.detection.classes["calcified"].errors_px.objects == 0
    write_truth(tmp_path / "set", [object_annotation(1, 3, ROUND)])
    unscaled = measure_folder(tmp_path).detection.classes["calcified"]
    assert unscaled.errors_mm.objects == 0
    assert (unscaled.errors_px.objects, unscaled.errors_px.centre_median) == (1, pytest.approx(5.0))


def test_strata_contain_their_own_objects(mixed: DataSetMetrics) -> None:
    strata = {(each.kind, each.name): each.shelled for each in mixed.detection.strata}
    assert strata["visible", "at least half"].true_objects == 2
    assert strata["visible", "at least half"].recall == pytest.approx(1 / 2)
    assert strata["visible", "below half"].true_objects == 1
    assert strata["visible", "below half"].recall == 1.0
    assert strata["visible", "below half"].ap50 == pytest.approx(1.0)  # its score is at least that of the false one
    assert strata["visible", "below half"].precision is None
    assert (strata["depth", "20 to 40 mm"].true_objects, strata["depth", "from 60 mm"].true_objects) == (2, 1)
    assert strata["size", "medium"].true_objects == 3
    assert strata["species", "Emys orbicularis"] == strata["exam", "AF-1"] == mixed.detection.classes["shelled"]


def test_unknown_values_give_no_strata(tmp_path: Path) -> None:
    write_truth(tmp_path / "set", [object_annotation(1, 3, ROUND)])
    write_result(tmp_path / "out", [detection_annotation(1, 3, ROUND)])
    assert {each.kind for each in measure_folder(tmp_path).detection.strata} == {"size", "species", "exam"}


def test_species_and_exams_contain_only_their_own_frames(tmp_path: Path) -> None:
    write_truth(
        tmp_path / "set", [object_annotation(1, 3, ROUND), object_annotation(3, 3, ROUND)], animals=("AF-1", "AF-2")
    )
    write_result(tmp_path / "out", [detection_annotation(1, 3, ROUND)])
    write_result(
        tmp_path / "out",
        [detection_annotation(3, 3, FAR), detection_annotation(3, 3, ROUND, score=0.6)],
        animal="AF-2",
        first_image=3,
    )
    exams = {each.name: each.shelled for each in measure_folder(tmp_path).detection.strata if each.kind == "exam"}
    assert (exams["AF-1"].ap50, exams["AF-1"].precision) == (pytest.approx(1.0), 1.0)
    assert (exams["AF-2"].ap50, exams["AF-2"].precision) == (pytest.approx(0.5), 0.5)


def test_false_positives_are_counted_in_egg_free_clips_and_frames(tmp_path: Path) -> None:
    # The clip of AF-1 shows an egg, though a hidden one, in one of two frames. The clip of AF-2 shows only a follicle.
    truth = [object_annotation(1, 3, ROUND, ignored=True), object_annotation(3, 1, ROUND)]
    write_truth(tmp_path / "set", truth, animals=("AF-1", "AF-2"))
    write_result(tmp_path / "out", [detection_annotation(1, 3, FAR), detection_annotation(2, 3, FAR)])
    others = [
        detection_annotation(3, 1, ROUND),
        detection_annotation(3, 2, FAR, score=0.2, track=1),
        detection_annotation(4, 3, FAR, score=0.2),
    ]
    write_result(tmp_path / "out", others, animal="AF-2", first_image=3)
    metrics = measure_folder(tmp_path)
    clips, frames = metrics.detection.egg_free_clips, metrics.detection.egg_free_frames
    assert (clips.frames, clips.confident_per_frame, clips.tracked_per_frame, clips.exported_per_frame) == (
        2,
        0.0,
        0.5,
        1.0,
    )
    assert (frames.frames, frames.confident_per_frame, frames.tracked_per_frame, frames.exported_per_frame) == (
        3,
        *(pytest.approx(n / 3) for n in (1, 1, 3)),
    )


def test_frames_and_animals_without_a_result_count_as_missed(tmp_path: Path) -> None:
    write_truth(
        tmp_path / "set",
        [object_annotation(1, 3, ROUND), object_annotation(2, 3, ROUND), object_annotation(3, 3, ROUND)],
        animals=("AF-1", "AF-2"),
    )
    write_result(tmp_path / "out", [detection_annotation(1, 3, ROUND)], frames=1)
    metrics = measure_folder(tmp_path)
    assert (metrics.frames, metrics.frames_used, metrics.counting.counts.missing) == (4, 1, 1)
    assert metrics.detection.classes["shelled"].recall == pytest.approx(1 / 3)
    assert metrics.detection.classes["shelled"].ap50 == pytest.approx(34 / 101)


def a_hundred_frames(rng: np.random.Generator) -> tuple[list[dict[str, Any]], list[dict[str, Any]]]:
    """Objects of all stages, and detections that are near, far, duplicated, missing or of the wrong stage."""
    truth, found = [], []
    for image in range(1, 101):
        for _ in range(rng.integers(0, 5)):
            long = rng.uniform(8, 70)
            middle = rng.uniform(0, 600, 2)
            ellipse = [*middle, long, long * rng.uniform(0.6, 1), rng.uniform(-90, 90)]
            stage = int(rng.integers(1, 4))
            truth.append(object_annotation(image, stage, ellipse, ignored=rng.random() < 0.2, visible=rng.random()))
            for _ in range(rng.integers(0, 3)):
                found_middle, axes = middle + rng.normal(0, 0.1 * long, 2), np.exp(rng.normal(0, 0.08, 2))
                shape = np.array([*found_middle, *(axes * ellipse[2:4]), ellipse[4]])
                found_stage = stage if rng.random() < 0.8 else int(rng.integers(1, 4))
                found.append(
                    detection_annotation(image, found_stage, shape.tolist(), score=round(rng.uniform(0.1, 1), 4))
                )
        if rng.random() < 0.4:
            stray = [*rng.uniform(0, 600, 2), 30.0, 20.0, 0.0]
            found.append(
                detection_annotation(image, int(rng.integers(1, 4)), stray, score=round(rng.uniform(0.1, 1), 4))
            )
    return truth, found


def by_pycocotools(folder: Path, stages: tuple[int, ...]) -> list[float]:
    """The twelve metrics of COCO, by its authors' program: AP, AP at 0.5 and 0.75, AP by size, and six more."""
    from pycocotools.coco import COCO
    from pycocotools.cocoeval import COCOeval

    truth = json.loads((folder / "set" / "coco.json").read_text())
    written = json.loads((folder / "out" / "AF-1" / DATE / "detections.coco.json").read_text())
    frames = {image["id"]: image["frame"] + 1 for image in written["images"]}
    found = [
        {"image_id": frames[row["image_id"]], "category_id": 1, "bbox": row["bbox"], "score": row["score"]}
        for row in written["annotations"]
        if row["category_id"] in stages
    ]
    merged = [{**row, "category_id": 1} for row in truth["annotations"] if row["category_id"] in stages]
    (folder / "merged.json").write_text(json.dumps({**truth, "annotations": merged, "info": {}}))
    with contextlib.redirect_stdout(io.StringIO()):
        coco = COCO(str(folder / "merged.json"))
        judge = COCOeval(coco, coco.loadRes(found), "bbox")
        judge.evaluate()
        judge.accumulate()
        judge.summarize()
    return [float(value) for value in judge.stats]


@pytest.mark.parametrize(("name", "stages"), [("shelled", (2, 3)), ("follicle", (1,)), ("calcified", (3,))])
def test_average_precision_agrees_with_pycocotools_on_the_files(
    name: str, stages: tuple[int, ...], tmp_path: Path
) -> None:
    truth, found = a_hundred_frames(np.random.default_rng(7))
    write_truth(tmp_path / "set", truth, frames=100)
    write_result(tmp_path / "out", found, frames=100)
    metrics = measure_folder(tmp_path)
    expected = by_pycocotools(tmp_path, stages)
    assert 0.1 < expected[0] < 0.9
    assert (metrics.detection.classes[name].ap50_95, metrics.detection.classes[name].ap50) == pytest.approx(
        expected[:2], abs=1e-12
    )
    if name != "calcified":
        sizes = [getattr(each, name).ap50_95 for each in metrics.detection.strata if each.kind == "size"]
        assert sizes == pytest.approx(expected[3:6], abs=1e-12)


def test_the_document_is_json_and_the_table_has_the_same_numbers(mixed: DataSetMetrics) -> None:
    document = json.loads(json.dumps(mixed.document(), allow_nan=False))
    assert document["detection"]["confusion"]["objects"] == mixed.detection.confusion.tolist()
    assert document["detection"]["classes"]["shelled"]["errors_mm"]["objects"] == 2
    assert len(document["detection"]["curves"]["shelled"]["precision"]) == 101
    assert document["animals"][0]["estimate"] == 3
    lines = metrics_table([mixed]).splitlines()
    assert lines[0] == "set: 1 animal, 2 frames, 2 of them used"
    # The boxes of the first overlap by 0.7155, so it is right at five of ten overlaps.
    (shelled,) = [line for line in lines if line.startswith("  shelled  ")]
    assert shelled.split()[1:7] == ["3", "0.663", "0.416", "0.667", "0.667", "50.0%"]
    assert shelled.split()[7:] == ["0.12", "/", "0.23", "1.25", "/", "2.25"]
    assert "with a score of at least 0.5 whose outlines overlap by at least 0.5" in " ".join(lines)
    assert max(map(len, lines)) <= 120
