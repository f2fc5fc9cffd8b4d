"""The COCO and MOTChallenge exports, checked against each other and by pycocotools."""

from __future__ import annotations

import contextlib
import io
import json
import time
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np
import pytest

from pipeline.report.export.coco import detections_chunks, detections_document
from pipeline.report.export.mot import mot_lines

if TYPE_CHECKING:
    from tests.pipeline.report.example_exams import ExampleExam


@pytest.fixture
def document(clutch: ExampleExam) -> dict[str, Any]:
    return detections_document(clutch.exam, clutch.finding, clutch.scans)


def test_the_stream_is_the_document(clutch: ExampleExam, document: dict[str, Any]) -> None:
    written = b"".join(detections_chunks(clutch.exam, clutch.finding, clutch.scans))
    assert json.loads(written) == document


def test_an_exam_without_usable_clips_gives_empty_lists(refused: ExampleExam) -> None:
    written = json.loads(b"".join(detections_chunks(refused.exam, refused.finding, refused.scans)))
    assert written["images"] == []
    assert written["annotations"] == []
    assert [category["name"] for category in written["categories"]] == [
        "follicle",
        "thin-shelled",
        "calcified",
    ]


def test_one_image_for_every_used_frame(clutch: ExampleExam, document: dict[str, Any]) -> None:
    assert len(document["images"]) == sum(len(scan.used_frames) for scan in clutch.scans)
    assert document["images"][0] == {
        "id": 1,
        "file_name": "AF-0412/2026-05-14/left-1.mp4#0",
        "clip": "left-1.mp4",
        "frame": 0,
        "width": 640,
        "height": 480,
    }
    assert len({image["id"] for image in document["images"]}) == len(document["images"])


def test_annotations_lie_on_the_frames_of_their_detections(clutch: ExampleExam, document: dict[str, Any]) -> None:
    images = {image["id"]: image for image in document["images"]}
    found = sorted((images[a["image_id"]]["clip"], images[a["image_id"]]["frame"]) for a in document["annotations"])
    expected = sorted((scan.file, int(frame)) for scan in clutch.scans for frame in scan.frame)
    assert found == expected


def test_the_detector_s_uncertainty_is_exported_or_null(clutch: ExampleExam, document: dict[str, Any]) -> None:
    assert {(a["centre_spread_px"], a["axis_spread"]) for a in document["annotations"]} == {(1.25, 0.03)}
    without = replace(clutch.scans[0], outline_uncertainty=np.full_like(clutch.scans[0].outline_uncertainty, np.nan))
    written = b"".join(detections_chunks(clutch.exam, clutch.finding, (without,)))
    assert {(a["centre_spread_px"], a["axis_spread"]) for a in json.loads(written)["annotations"]} == {(None, None)}


def test_tracks_and_eggs_are_numbered_or_null(clutch: ExampleExam, document: dict[str, Any]) -> None:
    images = {image["id"]: image for image in document["images"]}
    loose = [a for a in document["annotations"] if a["track_id"] is None]
    assert len(loose) == 2  # one in each of the two clips
    assert all(a["egg_id"] is None for a in loose)
    for annotation in document["annotations"]:
        if annotation["track_id"] is not None:  # in the example exam egg k is track k of every clip
            assert annotation["egg_id"] == annotation["track_id"]
    without = replace(clutch.finding, eggs=clutch.finding.eggs[1:])
    for annotation in detections_document(clutch.exam, without, clutch.scans)["annotations"]:
        if annotation["track_id"] == 1:
            assert annotation["egg_id"] is None
    assert {images[a["image_id"]]["clip"] for a in loose} == {"left-1.mp4", "right-1.mp4"}


def test_all_tracks_of_one_egg_have_one_number_in_a_clip(clutch: ExampleExam) -> None:
    """The probe left egg 2 and came back. Its second track gets the number of the first."""
    scan, (first, second, *others) = clutch.scans[0], clutch.finding.eggs
    back = replace(second.sightings[0], track=len(clutch.finding.eggs) + 1)
    finding = replace(clutch.finding, eggs=(first, replace(second, sightings=(back, *second.sightings)), *others))
    own = scan.track == second.sightings[0].track
    late = own & (scan.frame > np.median(scan.frame[own]))
    scan = replace(scan, track=np.where(late, back.track, scan.track))
    plain = detections_document(clutch.exam, clutch.finding, clutch.scans[:1])["annotations"]
    rejoined = detections_document(clutch.exam, finding, (scan,))["annotations"]
    assert late.any()
    assert [a["track_id"] for a in rejoined] == [a["track_id"] for a in plain]
    assert b"".join(mot_lines(finding, scan)) == b"".join(mot_lines(clutch.finding, clutch.scans[0]))


def test_boxes_hold_the_outline_exactly(document: dict[str, Any]) -> None:
    for annotation in document["annotations"][:50]:
        left, top, width, height = annotation["bbox"]
        cx, cy, a, b, degrees = annotation["ellipse"]
        t = np.linspace(0, 2 * np.pi, 20_000)
        turn = np.deg2rad(degrees)
        x = cx + a * np.cos(t) * np.cos(turn) - b * np.sin(t) * np.sin(turn)
        y = cy + a * np.cos(t) * np.sin(turn) + b * np.sin(t) * np.cos(turn)
        np.testing.assert_allclose(
            [left, top, left + width, top + height], [x.min(), y.min(), x.max(), y.max()], atol=0.03
        )
        assert annotation["area"] == pytest.approx(np.pi * a * b, rel=0.002)
        assert len(annotation["segmentation"][0]) == 2 * 48


def test_pycocotools_reads_it_and_agrees_on_areas(document: dict[str, Any], tmp_path: Path) -> None:
    """pycocotools, the reader of the COCO authors, is the reference."""
    from pycocotools import mask
    from pycocotools.coco import COCO

    file = tmp_path / "detections.coco.json"
    file.write_text(json.dumps(document))
    with contextlib.redirect_stdout(io.StringIO()):
        coco = COCO(str(file))
    assert sorted(coco.getCatIds()) == [1, 2, 3]
    inside = 0
    for annotation in coco.loadAnns(coco.getAnnIds()[::17]):
        image = coco.loadImgs(annotation["image_id"])[0]
        left, top, width, height = annotation["bbox"]
        if left < 0 or top < 0 or left + width > image["width"] or top + height > image["height"]:
            continue
        inside += 1
        drawn = int(mask.area(coco.annToRLE(annotation)))
        assert drawn == pytest.approx(annotation["area"], rel=0.03)
    assert inside > 5


def test_a_detection_on_an_unused_frame_is_refused(clutch: ExampleExam) -> None:
    scan = clutch.scans[0]
    unused = replace(scan, frame=np.where(np.arange(len(scan.frame)) == 0, 125, scan.frame))
    with pytest.raises(ValueError, match=r"left-1\.mp4: a detection in frame 125"):
        detections_document(clutch.exam, clutch.finding, (unused,))


def test_a_long_clip_is_streamed_in_small_chunks(clutch: ExampleExam) -> None:
    """15,000 frames with four detections each: chunks do not grow with the clip, and it takes seconds."""
    frames, each = 15_000, 4
    rng = np.random.default_rng(1)
    n = frames * each
    scan = replace(
        clutch.scans[0],
        frames=frames,
        used_frames=np.arange(frames),
        frame=np.repeat(np.arange(frames), each),
        ellipse=np.stack([*rng.uniform(100, 400, (2, n)), *rng.uniform(20, 60, (2, n)), np.zeros(n)], axis=1),
        stage_probability=np.full((n, 3), 1 / 3),
        score=rng.uniform(0, 1, n),
        outline_uncertainty=np.ones((n, 2)),
        track=np.zeros(n, np.int64),
    )
    started = time.monotonic()
    sizes = [len(chunk) for chunk in detections_chunks(clutch.exam, clutch.finding, (scan,))]
    assert max(sizes) < 2_000
    assert len(sizes) > n
    assert time.monotonic() - started < 60


def test_motchallenge_lines_are_those_of_the_coco_export(clutch: ExampleExam, document: dict[str, Any]) -> None:
    scan = clutch.scans[0]
    lines = b"".join(mot_lines(clutch.finding, scan)).decode().splitlines()
    images = {image["id"]: image for image in document["images"]}
    expected = {
        (images[a["image_id"]]["frame"] + 1, a["track_id"]): a
        for a in document["annotations"]
        if a["track_id"] is not None and images[a["image_id"]]["clip"] == scan.file
    }
    assert len(lines) == len(expected)
    keys = []
    for line in lines:
        fields = line.split(",")
        assert len(fields) == 9
        key = int(fields[0]), int(fields[1])
        keys.append(key)
        annotation = expected[key]
        np.testing.assert_allclose([float(f) for f in fields[2:6]], annotation["bbox"], atol=0.011)
        assert float(fields[6]) == pytest.approx(annotation["score"], abs=1e-4)
        assert int(fields[7]) == annotation["category_id"]
        assert fields[8] == "1"
    assert keys == sorted(keys)


def test_a_refused_clip_has_no_motchallenge_lines(refused: ExampleExam) -> None:
    assert list(mot_lines(refused.finding, refused.scans[0])) == []
