"""Labels contain what users answered and nothing else, in formats that other programs read."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import cv2
import pytest
from pycocotools.coco import COCO

from pipeline.cli import app
from pipeline.cli.exit_codes import ExitCode
from pipeline.labels.frame_selection import DRAWN_MARGIN_FRAMES
from pipeline.labels.writer import write_labels
from tests.pipeline.review.conftest import EXAM, SETTINGS, Served, Visitor

DRAWN = {"kind": "drawn", "clip": "right-1.mp4", "frame": 36, "ellipse": [90, 120, 14, 9, 10], "stage": "follicle"}


def no_progress(done: int, total: int) -> None:
    pass


def sign(vet: Visitor, *answers: dict[str, Any]) -> None:
    """Give these answers, then sign the exam."""
    for n, answer in enumerate([*answers, {"kind": "signed"}]):
        response = vet.submit(answer, request_id=f"request-{n}")
        assert response.status_code == 200, response.text


def segments(vet: Visitor) -> list[Any]:
    return [egg["segments"] for egg in vet.client.get(f"{EXAM}/state").json()["eggs"]]


def read(folder: Path) -> dict[str, Any]:
    document: dict[str, Any] = json.loads((folder / "coco.json").read_text())
    return document


def eggs_of(document: dict[str, Any]) -> list[dict[str, Any]]:
    return [entry for entry in document["annotations"] if not entry["iscrowd"]]


def test_unsigned_exams_give_no_labels(vet: Visitor, out: Path, tmp_path: Path) -> None:
    vet.submit({"kind": "egg", "eggs": segments(vet)}, request_id="request-1")
    assert write_labels(out, tmp_path / "labels", SETTINGS, no_progress).frames == 0


def test_answers_become_outlines_with_the_name_of_who_confirmed_them(vet: Visitor, out: Path, tmp_path: Path) -> None:
    eggs = segments(vet)
    thin = {"kind": "stage", "eggs": [eggs[1]], "stage": "thin-shelled"}
    unusable = {"kind": "unusable", "clip": "left-1.mp4", "first": 20, "last": 24}
    sign(vet, {"kind": "not-egg", "eggs": [eggs[0]]}, thin, {"kind": "egg", "eggs": eggs[2:]}, unusable)
    written = write_labels(out, tmp_path / "labels", SETTINGS, no_progress)
    document = read(tmp_path / "labels")
    assert (written.exams, written.problems) == (1, [])
    assert len(document["images"]) == written.frames > 30
    left = {image["id"]: image["frame"] for image in document["images"] if image["clip"] == "left-1.mp4"}
    assert not set(left.values()) & set(range(20, 25))
    labelled = eggs_of(document)
    assert len(labelled) == written.outlines
    assert len(document["annotations"]) - written.outlines == written.ignored > 0
    assert {entry["egg_id"] for entry in labelled} == {2, 3, 4, 5, 6, 7, 8}
    assert {entry["confirmed_by"] for entry in labelled} == {"Orla Finch"}
    assert {entry["category_id"] for entry in labelled if entry["egg_id"] == 2} == {2}
    x0, y0, x1, y1 = document["images"][0]["sector_box"]
    assert (x0, y0, x1, y1) == pytest.approx((16, 10, 176, 150), abs=6)  # where the speckle was drawn
    assert {image["signed_by"] for image in document["images"]} == {"Orla Finch"}
    picture = cv2.imread(str(tmp_path / "labels" / document["images"][0]["file_name"]), cv2.IMREAD_UNCHANGED)
    assert picture.shape == (160, 192)
    coco = COCO(str(tmp_path / "labels" / "coco.json"))
    assert len(coco.getImgIds()) == written.frames
    # The position of the drawn disc itself: eggs 6 to 8 have the same centres in every frame.
    entry = next(entry for entry in labelled if entry["egg_id"] == 6)
    assert entry["ellipse"][0] == pytest.approx(40, abs=1.5)
    mot_lines = (tmp_path / "labels" / "AF-0412_2026-05-14_right-1.mp4.mot.txt").read_text().splitlines()
    right = [image for image in document["images"] if image["clip"] == "right-1.mp4"]
    assert len(mot_lines) == 3 * sum(5 <= image["frame"] < 35 for image in right)
    assert all(len(line.split(",")) == 9 for line in mot_lines)


def test_frames_with_an_unanswered_egg_are_left_out(vet: Visitor, out: Path, tmp_path: Path) -> None:
    eggs = segments(vet)
    sign(vet, {"kind": "egg", "eggs": eggs[1:]})
    write_labels(out, tmp_path / "labels", SETTINGS, no_progress)
    left = {image["frame"] for image in read(tmp_path / "labels")["images"] if image["clip"] == "left-1.mp4"}
    unanswered = eggs[0][0]
    assert not left & set(range(unanswered["first"], unanswered["last"] + 1))


def test_near_a_drawn_egg_only_its_own_frame_is_selected(vet: Visitor, out: Path, tmp_path: Path) -> None:
    sign(vet, {"kind": "egg", "eggs": segments(vet)}, DRAWN)
    write_labels(out, tmp_path / "labels", SETTINGS, no_progress)
    document = read(tmp_path / "labels")
    right = {image["frame"]: image["id"] for image in document["images"] if image["clip"] == "right-1.mp4"}
    near = {frame for frame in right if abs(frame - 36) <= DRAWN_MARGIN_FRAMES}
    assert near == {36}
    drawn = [entry for entry in eggs_of(document) if entry["image_id"] == right[36]]
    assert [(entry["egg_id"], entry["category_id"]) for entry in drawn] == [(9, 1)]
    assert drawn[0]["ellipse"] == DRAWN["ellipse"]
    folder = out / "AF-0412" / "2026-05-14"
    assert (folder / "signed.html").read_text().count("data:image/jpeg") == 9  # including the drawn egg


def test_a_changed_recording_is_reported(vet: Visitor, served: Served, out: Path, tmp_path: Path) -> None:
    sign(vet, {"kind": "egg", "eggs": segments(vet)})
    case = served.context.case("AF-0412", "2026-05-14")
    assert case is not None
    path = case.exam.clips[0].path
    whole = path.read_bytes()
    try:
        path.write_bytes(whole + b"more")
        written = write_labels(out, tmp_path / "labels", SETTINGS, no_progress)
    finally:
        path.write_bytes(whole)
    assert ["has changed" in problem for problem in written.problems] == [True]
    assert {image["clip"] for image in read(tmp_path / "labels")["images"]} == {"right-1.mp4"}


def test_the_command_reports_how_much_was_written(
    vet: Visitor, out: Path, as_read: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    sign(vet, {"kind": "egg", "eggs": segments(vet)})
    options = ["--settings", str(as_read), "--json"]
    assert app.main(["labels", "--out", str(out), "--to", str(out / "labels"), *options]) == ExitCode.DONE
    report = json.loads(capsys.readouterr().out)
    assert report["exams"] == 1
    assert report["frames"] == len(list((out / "labels" / "images").iterdir()))
