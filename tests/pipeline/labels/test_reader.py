"""Written labels are read back as the detector would see them, and other folders are rejected by name."""

from __future__ import annotations

import json
import math
from collections.abc import Callable
from pathlib import Path
from typing import Any

import cv2
import numpy as np
import pytest
from numpy.typing import NDArray

from models.output_channels import INPUT_SIDE_PX
from pipeline.detect.detector import InputTransform
from pipeline.ingest.sector.sector import Sector
from pipeline.labels.reader import read_labels
from pipeline.labels.writer import write_labels
from synthetic.training.labelled_pictures import LabelsError
from tests.pipeline.labels.test_writer import no_progress, segments, sign
from tests.pipeline.review.conftest import SETTINGS, Visitor

SCALE = 0.5  # mm per px of the recordings


@pytest.fixture
def folder(vet: Visitor, out: Path, tmp_path: Path) -> Path:
    """Labels of the signed exam of eight discs, the first of them thin-shelled."""
    eggs = segments(vet)
    sign(vet, {"kind": "stage", "eggs": [eggs[0]], "stage": "thin-shelled"}, {"kind": "egg", "eggs": eggs[1:]})
    write_labels(out, tmp_path / "labels", SETTINGS, no_progress)
    return tmp_path / "labels"


def inside(ellipse: NDArray[np.float64], scale: float) -> NDArray[np.bool_]:
    """(S, S) whether each pixel is inside the ellipse with its axes multiplied by ``scale``."""
    y, x = np.mgrid[:INPUT_SIDE_PX, :INPUT_SIDE_PX]
    cx, cy, a, b, degrees = ellipse
    turn = np.radians(degrees)
    along, across = (x - cx) * np.cos(turn) + (y - cy) * np.sin(turn), (y - cy) * np.cos(turn) - (x - cx) * np.sin(turn)
    return (along / a) ** 2 + (across / b) ** 2 <= scale**2


def test_outlines_match_the_discs_in_the_picture_that_the_network_sees(folder: Path) -> None:
    labelled = read_labels(folder, max_frames_per_clip=1000)
    document = json.loads((folder / "coco.json").read_text())
    assert labelled.pictures.shape == (len(document["images"]), INPUT_SIDE_PX, INPUT_SIDE_PX)
    assert sum(len(each.stage) for each in labelled.frame_labels) == len(document["annotations"]) > 100
    assert labelled.animals == ["AF-0412"]
    assert {int(stage) for each in labelled.frame_labels for stage in each.stage} == {1, 2}
    x0, y0, x1, y1 = document["images"][0]["sector_box"]
    assert labelled.frame_labels[0].mm_per_px == pytest.approx(SCALE * max(x1 - x0, y1 - y0) / INPUT_SIDE_PX)
    for picture, eggs in zip(labelled.pictures, labelled.frame_labels, strict=True):
        for row in eggs.ellipses[~eggs.is_ignored]:
            wall = inside(row, 1.0) & ~inside(row, 0.8)
            assert picture[wall].mean() > 1.5 * picture[inside(row, 0.5)].mean()
            assert picture[wall].mean() > 140
            ring = inside(row, 1.5) & ~inside(row, 1.3)
            others = np.any([inside(other, 1.3) for other in eggs.ellipses], axis=0)
            assert picture[ring & ~others].mean() < 120


def test_frames_are_evenly_spaced_over_every_clip(folder: Path) -> None:
    frames_of: dict[str, list[int]] = {"left-1.mp4": [], "right-1.mp4": []}
    for image in json.loads((folder / "coco.json").read_text())["images"]:
        frames_of[image["clip"]].append(image["frame"])
    few = read_labels(folder, max_frames_per_clip=5)
    assert len(few.pictures) == 10
    all_of_them = read_labels(folder, max_frames_per_clip=1000)
    assert len(all_of_them.pictures) == sum(map(len, frames_of.values()))
    ends = all_of_them.pictures[[0, len(frames_of["left-1.mp4"]) - 1]]
    assert np.array_equal(few.pictures[[0, 4]], ends)


@pytest.mark.parametrize("upside_down", [False, True])
def test_ellipses_are_mapped_to_the_input_and_back(upside_down: bool) -> None:
    sector = Sector("rectangle", np.ones((90, 200), np.bool_), (13, 7, 180, 71), upside_down=upside_down)
    transform = InputTransform(sector)
    rows = np.array([[60.0, 30.0, 20.0, 8.0, 25.0], [100.5, 55.0, 9.0, 4.0, -90.0], [30.0, 12.0, 9.0, 4.0, 89.0]])
    np.testing.assert_allclose(transform.ellipses_to_frame(transform.ellipses_to_input(rows)), rows, atol=1e-9)
    grey = np.zeros((90, 200), np.uint8)
    cv2.ellipse(grey, (60, 30), (20, 8), 25.0, 0, 360, 255, -1)
    y, x = np.nonzero(transform.image_to_input(grey) > 0.5)
    # OpenCV fills every pixel that the outline touches: half a pixel more on each side.
    cx, cy, a, b, degrees = transform.ellipses_to_input(rows[:1] + np.array([0, 0, 0.5, 0.5, 0]))[0]
    assert (x.mean(), y.mean()) == pytest.approx((cx, cy), abs=0.7)
    assert len(x) == pytest.approx(math.pi * a * b, rel=0.03)
    assert np.sign(np.corrcoef(x, y)[0, 1]) == np.sign(degrees)


def remove_sector_boxes(document: dict[str, Any]) -> None:
    for image in document["images"]:
        image.pop("sector_box")


def remove_images(document: dict[str, Any]) -> None:
    document["images"] = []


def move_sector_outside(document: dict[str, Any]) -> None:
    document["images"][0]["sector_box"] = [0, 0, 9999, 50]


def name_missing_file(document: dict[str, Any]) -> None:
    document["images"][0]["file_name"] = "images/missing.png"


def set_unknown_category(document: dict[str, Any]) -> None:
    document["annotations"][0]["category_id"] = 7


@pytest.mark.parametrize(
    ("change", "message"),
    [
        (remove_sector_boxes, r"coco\.json, images\.0\.sector_box: Field required"),
        (remove_images, r"coco\.json holds no frames"),
        (move_sector_outside, r"the sector \(0, 0, 9999, 50\) is outside the picture"),
        (name_missing_file, r"missing\.png is missing or not a picture"),
        (set_unknown_category, r"annotations\.0\.category_id"),
    ],
)
def test_invalid_labels_are_rejected_by_name(
    folder: Path, change: Callable[[dict[str, Any]], None], message: str
) -> None:
    document = json.loads((folder / "coco.json").read_text())
    change(document)
    (folder / "coco.json").write_text(json.dumps(document))
    with pytest.raises(LabelsError, match=message):
        read_labels(folder, max_frames_per_clip=5)


def test_a_folder_without_labels_is_rejected_by_name(tmp_path: Path) -> None:
    with pytest.raises(LabelsError, match=r"coco\.json cannot be read \(No such file"):
        read_labels(tmp_path, max_frames_per_clip=5)
    (tmp_path / "coco.json").write_text("{")
    with pytest.raises(LabelsError, match=r"coco\.json: Invalid JSON"):
        read_labels(tmp_path, max_frames_per_clip=5)
