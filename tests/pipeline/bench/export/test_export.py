"""Exported data sets hold the pictures and the outlines of the ground truth, and are read back as they were."""

from __future__ import annotations

import json
from configparser import ConfigParser
from dataclasses import replace
from pathlib import Path

import av
import cv2
import numpy as np
import pytest
import shapely

from models.ellipse import area
from pipeline.bench.data_set_metrics import measure_data_set
from pipeline.bench.export.exported_clips import exported_clips
from pipeline.bench.export.formats import WRITERS
from pipeline.bench.ground_truth import DataSet, open_data_set
from pipeline.bench.results.method_results import ResultsError
from pipeline.bench.results.readers import read_method_results
from pipeline.cli.bench_export_command import ExportFormat
from pipeline.cli.exit_codes import ExitCode
from tests.pipeline.bench.data_set_files import DATE, SETTINGS, object_annotation, write_truth
from tests.pipeline.blob_finder import HEIGHT, WIDTH, write_exam_folder
from tests.pipeline.conftest import Clutchlight

ANIMALS, FRAMES = tuple(f"AF-000{number}" for number in range(1, 5)), 40
INSIDE, AT_EDGE, OUTSIDE = (
    [40.0, 50.0, 14.0, 12.0, 0.0],
    [WIDTH - 5.0, 80.0, 20.0, 15.0, 0.0],
    [-40.0, 9.0, 9.0, 9.0, 0.0],
)


@pytest.fixture(scope="module")
def data_set(tmp_path_factory: pytest.TempPathFactory) -> DataSet:
    """Four animals, in each of whose frames lie a calcified egg, a follicle at the edge and an ignored one outside."""
    folder = tmp_path_factory.mktemp("data") / "set"
    for seed, animal in enumerate(ANIMALS):
        write_exam_folder(folder, animal, {"left-1.mp4": 1}, date=DATE, seed=seed)
    objects = [
        object_annotation(image, category, ellipse, ignored=ellipse is OUTSIDE, track=track, visible=0.75)
        for image in range(1, len(ANIMALS) * FRAMES + 1)
        for track, (category, ellipse) in enumerate(((3, INSIDE), (1, AT_EDGE), (2, OUTSIDE)), 1)
    ]
    write_truth(folder, objects, animals=ANIMALS, frames=FRAMES, mm_per_px=0.5)
    return open_data_set(folder)


def export(data_set: DataSet, form: str, folder: Path, *, every: int = 20) -> None:
    WRITERS[form](data_set, exported_clips(data_set, SETTINGS.ingest, every=every), folder)


def test_every_format_can_be_chosen() -> None:
    assert set(WRITERS) == set(ExportFormat)


def test_mot_folders_hold_all_frames_and_read_back_as_perfect_results(data_set: DataSet, tmp_path: Path) -> None:
    export(data_set, "mot", tmp_path, every=1)
    clip = tmp_path / "AF-0002_left-1"
    info = ConfigParser()
    info.read(clip / "seqinfo.ini")
    sequence = info["Sequence"]
    assert (sequence["name"], sequence["seqLength"], sequence["imWidth"]) == (clip.name, str(FRAMES), str(WIDTH))
    assert len(list((clip / "img1").iterdir())) == FRAMES
    recorded = data_set.exams_root / "AF-0002" / DATE / "left-1.mp4"
    with av.open(str(recorded)) as container:
        first = next(container.decode(video=0)).to_ndarray(format="gray")
    assert (cv2.imread(str(clip / "img1" / "000001.png"), cv2.IMREAD_GRAYSCALE) == first).all()
    assert (clip / "gt" / "gt.txt").read_text().splitlines()[:3] == [
        "1,1,26.00,38.00,28.00,24.00,1,3,0.750",
        f"1,2,{WIDTH - 25}.00,65.00,40.00,30.00,1,1,0.750",
        "1,3,-49.00,0.00,18.00,18.00,0,2,0.750",
    ]
    metrics = measure_data_set(data_set, read_method_results(data_set, tmp_path), SETTINGS)
    assert metrics.tracking.hota == pytest.approx(1)
    assert metrics.detection is not None
    assert metrics.detection.classes["any"].ap50_95 == pytest.approx(1)
    assert metrics.detection.classes["any"].stage_accuracy == 1


def test_coco_detections_on_the_exported_pictures_are_results(data_set: DataSet, tmp_path: Path) -> None:
    export(data_set, "coco", tmp_path, every=20)
    document = json.loads((tmp_path / "annotations.json").read_text())
    assert len(document["images"]) == len(list((tmp_path / "images").iterdir())) == len(ANIMALS) * 2
    assert [each["id"] for each in document["images"]][:3] == [1, 21, 41]
    assert len({each["id"] for each in document["annotations"]}) == len(document["annotations"]) == len(ANIMALS) * 2 * 3
    keys = ("image_id", "category_id", "segmentation")
    found = [{"score": 0.9, **{key: row[key] for key in keys}} for row in document["annotations"] if not row["iscrowd"]]
    (tmp_path / "results.json").write_text(json.dumps(found))
    metrics = measure_data_set(data_set, read_method_results(data_set, tmp_path / "results.json"), SETTINGS)
    assert metrics.detection is not None
    assert metrics.detection.classes["any"].recall == pytest.approx(2 / FRAMES)
    assert metrics.detection.classes["any"].precision == 1


def test_yolo_outlines_are_cut_at_the_edge_and_no_animal_is_on_both_sides(data_set: DataSet, tmp_path: Path) -> None:
    export(data_set, "yolo", tmp_path)
    sides = {side: {path.name[:7] for path in (tmp_path / "images" / side).iterdir()} for side in ("train", "val")}
    assert sides == {"train": set(ANIMALS[:3]), "val": {ANIMALS[3]}}
    lines = (tmp_path / "labels" / "train" / "AF-0001_left-1_000020.txt").read_text().splitlines()
    assert [line.split()[0] for line in lines] == ["2", "0"]  # the ignored one is left out
    shares = [np.array(line.split()[1:], float).reshape(-1, 2) for line in lines]
    assert all(((each >= 0) & (each <= 1)).all() for each in shares)
    inside, cut = (shapely.Polygon(each * [WIDTH, HEIGHT] - 0.5) for each in shares)
    assert inside.area == pytest.approx(area(INSIDE)[0], rel=0.01)
    assert cut.bounds[2] == pytest.approx(WIDTH - 0.5)
    assert 0.5 * area(AT_EDGE)[0] < cut.area < 0.75 * area(AT_EDGE)[0]
    assert "  2: calcified" in (tmp_path / "data.yaml").read_text()


def test_yolo_labels_read_back_as_results(data_set: DataSet, tmp_path: Path) -> None:
    export(data_set, "yolo", tmp_path)
    box = tmp_path / "labels" / "train" / "AF-0001_left-1_000000.txt"
    left, top, width, height = 26.5, 38.5, 28.0, 24.0  # of the egg inside, from the picture's corner
    shares = np.array([left + width / 2, top + height / 2, width, height]) / [WIDTH, HEIGHT, WIDTH, HEIGHT]
    box.write_text(f"2 {' '.join(map(str, shares))} 0.75\n")
    sized = replace(
        data_set, frames=replace(data_set.frames, sizes=np.full((len(data_set.frames.ids), 2), [WIDTH, HEIGHT], float))
    )
    results = read_method_results(sized, tmp_path)
    assert results.found is not None
    found = results.found
    assert (found.scores[0], found.boxes[0].tolist()) == (0.75, pytest.approx([26.0, 38.0, 28.0, 24.0]))
    assert set(found.scores[1:].tolist()) == {1.0}
    metrics = measure_data_set(sized, results, SETTINGS)
    assert metrics.detection is not None
    calcified = metrics.detection.classes["calcified"]
    assert (calcified.recall, calcified.precision) == (pytest.approx(2 / FRAMES), 1)
    assert calcified.errors_mm.axis_p90 == pytest.approx(0, abs=0.05)
    with pytest.raises(ResultsError, match="does not say how large"):
        read_method_results(data_set, tmp_path)
    box.write_text("2 0.5 0.5\n")
    with pytest.raises(ResultsError, match="line 1: this is no detection"):
        read_method_results(sized, tmp_path)
    box.rename(box.with_name("AF-0009_left-1_000000.txt"))
    with pytest.raises(ResultsError, match="is no picture of set"):
        read_method_results(sized, tmp_path)


def test_an_image_folder_has_a_line_for_each_picture(data_set: DataSet, tmp_path: Path) -> None:
    export(data_set, "image-folder", tmp_path)
    lines = [json.loads(line) for line in (tmp_path / "train" / "metadata.jsonl").read_text().splitlines()]
    assert {line["file_name"] for line in lines} == {path.name for path in (tmp_path / "train").glob("*.png")}
    second = lines[1]
    assert (second["animal"], second["clip"], second["frame"], second["mm_per_px"]) == (
        "AF-0001",
        "left-1.mp4",
        20,
        0.5,
    )
    objects = second["objects"]
    assert (objects["category"], objects["track"], objects["ignored"]) == ([2, 0, 1], [1, 2, 3], [False, False, True])
    assert objects["ellipse"][0] == INSIDE


def test_the_command_writes_into_a_new_folder_only(clutchlight: Clutchlight, data_set: DataSet, tmp_path: Path) -> None:
    arguments = ("bench", "export", data_set.exams_root, "--out", tmp_path / "new", "--format")
    assert clutchlight(*arguments, "yolo", "--every", 40, "--quiet").code == ExitCode.DONE
    assert len(list((tmp_path / "new").rglob("*.png"))) == len(ANIMALS)
    card = (tmp_path / "new" / "README.md").read_text()
    assert "3 in `train`, 1 in `val`. No animal is in both" in card
    assert (tmp_path / "new" / "croissant.json").exists()
    again = clutchlight(*arguments, "yolo")
    assert (again.code, "is not empty" in again.stderr) == (ExitCode.USAGE, True)
    gaps = clutchlight(*arguments, "mot", "--every", 2)
    assert (gaps.code, "needs all frames" in gaps.stderr) == (ExitCode.USAGE, True)
