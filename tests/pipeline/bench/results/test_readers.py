"""The same results in every format give the same figures, as far as a format can hold them."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from models.ellipse import outline
from pipeline.bench.data_set_metrics import DataSetMetrics, measure_data_set
from pipeline.bench.ground_truth import DataSet, open_data_set
from pipeline.bench.metrics_plots import metrics_svg
from pipeline.bench.metrics_table import metrics_table
from pipeline.bench.results.method_results import ResultsError
from pipeline.bench.results.readers import read_method_results
from tests.pipeline.bench.data_set_files import (
    DATE,
    SETTINGS,
    detection_annotation,
    object_annotation,
    write_result,
    write_truth,
)

FRAMES = 4
UPRIGHT, FAR = [100.0, 100.0, 30.0, 20.0, 0.0], [300.0, 200.0, 25.0, 20.0, 0.0]
FOUND = [
    *(detection_annotation(n, 3, UPRIGHT, track=1) for n in (1, 2, 3)),
    detection_annotation(2, 1, FAR, track=2, score=0.7),
    detection_annotation(4, 2, [500.0, 100.0, 20.0, 20.0, 0.0], track=3, score=0.6),
]


@pytest.fixture
def data_set(tmp_path: Path) -> DataSet:
    """Two animals, the second of which has no detection. Image numbers go on from the first to the second."""
    truth = [object_annotation(n, 3, UPRIGHT, track=1) for n in range(1, FRAMES + 1)]
    truth += [object_annotation(n, 1, FAR, track=2) for n in (1, 2)]
    truth += [object_annotation(FRAMES + 1, 3, UPRIGHT, track=1)]
    write_truth(tmp_path / "set", truth, animals=("AF-1", "AF-2"), frames=FRAMES, carried=1, crossed=1)
    return open_data_set(tmp_path / "set")


def measure(data_set: DataSet, path: Path) -> DataSetMetrics:
    return measure_data_set(data_set, read_method_results(data_set, path), SETTINGS)


def write_coco(path: Path, *keys: str, rows: list[dict[str, Any]] = FOUND) -> Path:
    """COCO results with these keys alone."""
    path.parent.mkdir(parents=True, exist_ok=True)
    path.write_text(json.dumps([{key: row[key] for key in keys} for row in rows]))
    return path


def mot_line(row: dict[str, Any], *, track: int, stage: int) -> str:
    return ",".join(map(str, [row["image_id"], track, *row["bbox"], row["score"], stage, 1]))


def write_mot_clip(folder: Path, name: str, lines: list[str], *, kind: str = "det") -> None:
    (folder / kind).mkdir(parents=True)
    (folder / "seqinfo.ini").write_text(f"[Sequence]\nname={name}\nseqLength={FRAMES}\n")
    (folder / kind / f"{kind}.txt").write_text("\n".join([*lines, ""]))


def test_coco_results_and_mot_folders_give_the_figures_of_our_own_output(data_set: DataSet, tmp_path: Path) -> None:
    write_result(tmp_path / "own", FOUND, frames=FRAMES)
    write_result(tmp_path / "own", [], animal="AF-2", frames=FRAMES)
    write_coco(tmp_path / "coco" / "results.json", "image_id", "category_id", "ellipse", "score", "track_id")
    lines = [mot_line(row, track=row["track_id"], stage=row["category_id"]) for row in FOUND]
    write_mot_clip(tmp_path / "mot" / "first", "AF-1_left-1", lines)
    (tmp_path / "tracker" / "data").mkdir(parents=True)
    (tmp_path / "tracker" / "data" / "AF-1_left-1.txt").write_text("\n".join(lines))
    own = measure(data_set, tmp_path / "own")
    assert own.counting is not None
    assert own.detection is not None
    assert own.detection.classes["calcified"].recall == pytest.approx(3 / 5)
    for name in ("coco", "mot", "tracker"):
        other = measure(data_set, tmp_path / name)
        assert other.counting is None
        assert other.tracking == own.tracking
        assert other.detection is not None
        assert other.detection.document() == own.detection.document()


def test_polygons_and_boxes_stand_for_outlines(data_set: DataSet, tmp_path: Path) -> None:
    polygons = [row | {"segmentation": [outline(row["ellipse"], 200)[0].ravel().tolist()]} for row in FOUND]
    keys = ("image_id", "category_id", "score")
    for path in (
        write_coco(tmp_path / "polygons.json", *keys, "segmentation", rows=polygons),
        write_coco(tmp_path / "boxes.json", *keys, "bbox"),
    ):
        found = read_method_results(data_set, path).found
        assert found is not None
        assert found.ellipses[:, :4] == pytest.approx(np.array([row["ellipse"][:4] for row in FOUND]), abs=0.02)


def test_without_stages_and_tracks_the_figures_that_need_them_are_missing(data_set: DataSet, tmp_path: Path) -> None:
    metrics = measure(data_set, write_coco(tmp_path / "results.json", "image_id", "bbox", "score"))
    assert metrics.detection is not None
    assert metrics.tracking.hota is None
    # Without a stage all five count as shelled: three of five eggs are found, and two detections are wrong.
    shelled, every = metrics.detection.classes["shelled"], metrics.detection.classes["any"]
    assert (shelled.recall, shelled.precision) == (pytest.approx(3 / 5), pytest.approx(3 / 5))
    assert (every.recall, every.precision) == (pytest.approx(4 / 7), pytest.approx(4 / 5))
    assert shelled.stage_accuracy is None
    assert metrics.detection.classes["calcified"].recall == 0
    table = metrics_table([metrics])
    assert "detected as" not in table
    assert "HOTA" not in table


def test_a_table_of_counts_gives_counts_alone(data_set: DataSet, tmp_path: Path) -> None:
    path = tmp_path / "counts.csv"
    path.write_text(f"animal,date,shelled,low,high,follicles\nAF-1,{DATE},3,1,4,\nAF-2,{DATE},1,,,2\n")
    metrics = measure(data_set, path)
    assert metrics.detection is None
    assert metrics.counting is not None
    counts, (first, second) = metrics.counting.counts, metrics.animals
    assert (counts.animals, counts.exact, counts.bias, counts.interval_coverage) == (2, 0.5, 1.0, 1.0)
    assert (first.estimate, first.interval90, first.follicles_estimate) == (3, (1, 4), None)
    assert (second.estimate, second.interval90, second.follicles_estimate) == (1, None, 2)
    assert metrics.counting.risk.animals == 0
    table = metrics_table([metrics])
    assert "as stated" in table
    assert "AP50" not in table.partition("\n\n")[0]
    json.dumps(metrics.document(), allow_nan=False)
    assert metrics_svg(metrics).startswith("<svg")


def test_a_folder_may_hold_detections_and_counts(data_set: DataSet, tmp_path: Path) -> None:
    write_coco(tmp_path / "both" / "results.json", "image_id", "bbox", "score")
    (tmp_path / "both" / "counts.csv").write_text(f"animal,date,shelled\nAF-1,{DATE},1\n")
    metrics = measure(data_set, tmp_path / "both")
    assert metrics.detection is not None
    assert metrics.counting is not None
    assert (metrics.counting.counts.exact, metrics.counting.counts.missing) == (1.0, 1)
    assert metrics.counting.shelled_errors is None  # nothing says which egg was counted where


def test_detections_are_read_before_the_truth_beside_them(data_set: DataSet, tmp_path: Path) -> None:
    clip = tmp_path / "mot" / "AF-1_left-1"
    write_mot_clip(clip, "AF-1_left-1", [mot_line(FOUND[0], track=-1, stage=-1)])
    (clip / "gt").mkdir()
    (clip / "gt" / "gt.txt").write_text("\n".join(mot_line(row, track=1, stage=3) for row in FOUND[:3]))
    results = read_method_results(data_set, tmp_path / "mot")
    assert results.found is not None
    assert (len(results.found.frame), results.has_tracks) == (1, False)
    (clip / "det" / "det.txt").unlink()
    results = read_method_results(data_set, tmp_path / "mot")
    assert results.found is not None
    assert (len(results.found.frame), results.has_tracks) == (3, True)


@pytest.mark.parametrize(
    ("name", "content", "message"),
    [
        ("results.json", '[{"image_id": 99, "bbox": [1, 1, 2, 2], "score": 0.5}]', "detection 1 cannot be used"),
        ("results.json", '[{"image_id": 1, "bbox": [1, 1, 0, 2], "score": 0.5}]', "without an area"),
        ("results.json", '[{"image_id": 1, "bbox": [1, 1, 2, 2], "score": 50}]', "a score of 50"),
        ("results.json", '[{"image_id": 1, "bbox": [1, 1, 2, 2], "score": 1, "category_id": 4}]', "category_id of 4"),
        ("results.json", "[{", "cannot be read"),
        ("AF-7_left-1.txt", "1,1,2,3,4,5,0.5\n", "AF-7_left-1 is no clip of set"),
        ("AF-1_left-1.txt", "1,1,2,3,4,5,0.5\n5,1,2,3,4,5,0.5\n", "line 2"),
        ("AF-1_left-1.txt", "1,1,2,3,4\n", "5 numbers"),
        ("counts.csv", "animal,date,shelled\nAF-9,2026-05-03,1\n", "line 2"),
        ("counts.csv", "animal,date,shelled\nAF-1,2026-05-04,1\n", "AF-1 has no exam of 2026-05-04"),
        ("counts.csv", "animal,date,shelled,low,high\nAF-1,2026-05-03,5,1,4\n", "low and high are not around shelled"),
        ("counts.csv", "animal,date,shelled\nAF-1,2026-05-03,\n", "shelled is empty"),
        ("notes.md", "", "holds no results"),
    ],
)
def test_what_cannot_be_used_is_named(data_set: DataSet, tmp_path: Path, name: str, content: str, message: str) -> None:
    (tmp_path / "results").mkdir()
    (tmp_path / "results" / name).write_text(content)
    with pytest.raises(ResultsError, match=message):
        read_method_results(data_set, tmp_path / "results")
