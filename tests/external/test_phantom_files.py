"""Files of phantoms read by other programs."""

from __future__ import annotations

import contextlib
import io
import json
import shutil
import subprocess
from pathlib import Path
from typing import Any

import numpy as np
import pytest

# pycocotools 2.0.11 passes its masks to NumPy 2 in a way that NumPy calls deprecated.
PAINTS = pytest.mark.filterwarnings("ignore:__array__ implementation doesn't accept a copy keyword:DeprecationWarning")
FRAMES, WIDTH, HEIGHT = 7, 640, 480
CLIP = "AF-0001/2026-05-03/left-1.mp4"


@pytest.fixture(scope="module")
def coco(phantom_folder: Path) -> Any:
    """The ground truth as pycocotools reads it, without what it prints."""
    from pycocotools.coco import COCO

    with contextlib.redirect_stdout(io.StringIO()):
        return COCO(str(phantom_folder / "coco.json"))


def test_pycocotools_finds_every_image_and_annotation(coco: Any, phantom_folder: Path) -> None:
    document = json.loads((phantom_folder / "coco.json").read_text(encoding="utf-8"))
    assert sorted(coco.getImgIds()) == list(range(1, FRAMES + 1))
    assert len(coco.getAnnIds()) == len(document["annotations"]) >= FRAMES
    names = {category["name"]: category["id"] for category in coco.loadCats(coco.getCatIds())}
    assert names == {"follicle": 1, "thin-shelled": 2, "calcified": 3}
    crowds = coco.getAnnIds(iscrowd=True)
    assert len(crowds) + len(coco.getAnnIds(iscrowd=False)) == len(document["annotations"])


@PAINTS
def test_masks_by_pycocotools_have_the_area_and_box_of_the_ground_truth(coco: Any) -> None:
    from pycocotools import mask

    complete = 0
    for annotation in coco.loadAnns(coco.getAnnIds()):
        left, top, width, height = annotation["bbox"]
        if left < 0 or top < 0 or left + width > WIDTH or top + height > HEIGHT:
            continue  # a mask ends at the border of the picture, the truth does not
        complete += 1
        painted = coco.annToMask(annotation)
        assert painted.shape == (HEIGHT, WIDTH)
        assert painted.sum() == pytest.approx(annotation["area"], rel=0.02)
        np.testing.assert_allclose(mask.toBbox(coco.annToRLE(annotation)), annotation["bbox"], atol=1.5)
        rows, columns = np.nonzero(painted)
        assert [columns.mean(), rows.mean()] == pytest.approx(annotation["ellipse"][:2], abs=0.7)
    assert complete >= FRAMES


def evaluated(coco: Any, results: list[dict[str, Any]], kind: str) -> Any:
    """COCO's twelve metrics; the first is AP, the second AP at 0.5."""
    from pycocotools.cocoeval import COCOeval  # type: ignore[import-untyped]

    with contextlib.redirect_stdout(io.StringIO()):
        judge = COCOeval(coco, coco.loadRes(results), kind)
        judge.evaluate()
        judge.accumulate()
        judge.summarize()
    return judge.stats


def as_detections(coco: Any, truth: list[dict[str, Any]]) -> list[dict[str, Any]]:
    """The ground truth as detections, with boxes and with pycocotools' own masks."""
    return [
        {key: one[key] for key in ("image_id", "category_id", "bbox")}
        | {"segmentation": coco.annToRLE(one), "score": 0.9}
        for one in truth
    ]


@PAINTS
@pytest.mark.parametrize("kind", ["bbox", "segm"])
def test_the_ground_truth_scores_perfectly_against_itself(coco: Any, kind: str) -> None:
    """AP 1.0 for perfect detections (pycocotools 2.0.11, computed); mostly hidden objects are ignored."""
    everything = coco.loadAnns(coco.getAnnIds())
    targets = coco.loadAnns(coco.getAnnIds(iscrowd=False))
    for detected in (targets, everything):
        stats = evaluated(coco, as_detections(coco, detected), kind)
        assert stats[0] == pytest.approx(1.0)
        assert stats[1] == pytest.approx(1.0)
    half = [one for one in targets if one["image_id"] <= FRAMES // 2]
    assert evaluated(coco, as_detections(coco, half), kind)[0] < 0.9


def test_ffprobe_counts_the_frames_and_knows_the_size(phantom_folder: Path) -> None:
    ffprobe = shutil.which("ffprobe")
    if ffprobe is None:
        pytest.skip("ffprobe is not installed; PyAV's count is checked in tests/synthetic/film/test_clips.py")
    fields = "stream=codec_name,width,height,pix_fmt,r_frame_rate,nb_read_frames,duration"
    command = [ffprobe, "-v", "error", "-count_frames", "-select_streams", "v:0", "-show_entries", fields]
    answer = subprocess.run(
        [*command, "-of", "json", str(phantom_folder / CLIP)], capture_output=True, text=True, check=True, timeout=60
    )
    assert answer.stderr == ""
    (video,) = json.loads(answer.stdout)["streams"]
    assert video["codec_name"] == "h264"
    assert (video["width"], video["height"], video["pix_fmt"]) == (WIDTH, HEIGHT, "yuv420p")
    assert video["r_frame_rate"] == "25/1"
    assert int(video["nb_read_frames"]) == FRAMES
    assert float(video["duration"]) == pytest.approx(FRAMES / 25, abs=0.001)


def test_opencv_decodes_the_same_pictures_as_pyav(phantom_folder: Path) -> None:
    import av
    import cv2

    with av.open(str(phantom_folder / CLIP)) as container:
        by_av = [frame.to_ndarray(format="gray") for frame in container.decode(video=0)]
    capture = cv2.VideoCapture(str(phantom_folder / CLIP))
    by_opencv = []
    while True:
        more, picture = capture.read()
        if not more:
            break
        by_opencv.append(picture[..., 1])
    capture.release()
    assert len(by_opencv) == len(by_av) == FRAMES
    for one, other in zip(by_av, by_opencv, strict=True):
        assert np.corrcoef(one.ravel(), other.ravel())[0, 1] > 0.999
