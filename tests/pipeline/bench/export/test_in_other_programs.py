"""Outlines and tracks survive a way through Datumaro and FiftyOne, in the environment of the peers."""

from __future__ import annotations

import json
import os
from pathlib import Path

import cv2
import numpy as np
import pytest

from models.ellipse import outline, overlap
from models.stages import STAGES
from pipeline.bench.export.datumaro_conversion import ConversionError, main
from pipeline.bench.peers.environment import run_in_environment
from pipeline.bench.results.coco_results import checked_detection
from tests.pipeline.bench.peers.peers_python import peers_python

OBJECTS = [([60.0, 50.0, 20.0, 12.0, 25.0], 3, 7), ([100.0, 90.0, 15.0, 15.0, 0.0], 1, 9)]  # ellipse, stage, track


@pytest.fixture
def exported(tmp_path: Path) -> Path:
    """Two pictures with the same two objects, as bench export --format coco writes them."""
    folder = tmp_path / "exported"
    (folder / "images").mkdir(parents=True)
    images, annotations = [], []
    for image in (11, 12):
        name = f"AF-1_left-1_{image:06d}.png"
        cv2.imwrite(str(folder / "images" / name), np.full((160, 192), 5 * image, np.uint8))
        images.append({"id": image, "file_name": name, "width": 192, "height": 160})
        annotations += [
            {
                "id": len(annotations) + number,
                "image_id": image,
                "category_id": stage,
                "segmentation": [outline(ellipse)[0].round(2).ravel().tolist()],
                "ellipse": ellipse,
                "track_id": track,
            }
            for number, (ellipse, stage, track) in enumerate(OBJECTS, 1)
        ]
    categories = [{"id": number, "name": stage} for number, stage in enumerate(STAGES, 1)]
    document = {"images": images, "annotations": annotations, "categories": categories}
    (folder / "annotations.json").write_text(json.dumps(document))
    return folder


@pytest.mark.parametrize("form", ["datumaro", "coco_instances", "label_me"])
def test_ellipses_stages_and_tracks_come_back_through_datumaro(form: str, exported: Path, tmp_path: Path) -> None:
    python, module = peers_python(), "pipeline.bench.export.datumaro_conversion"
    labelled, results = str(tmp_path / "labelled"), tmp_path / "results.json"
    run_in_environment(python, ["-m", module, "write", str(exported), form, labelled])
    run_in_environment(python, ["-m", module, "read", str(exported), form, labelled, str(results)])
    rows = json.loads(results.read_text())
    assert sorted((row["image_id"], row["category_id"], row["track_id"]) for row in rows) == [
        (image, stage, track) for image in (11, 12) for _, stage, track in sorted(OBJECTS, key=lambda each: each[1])
    ]
    by_track = {track: ellipse for ellipse, _, track in OBJECTS}
    for row in rows:
        # 48 corners inside an ellipse cover 0.3 % less, and one format rounds to whole pixels.
        assert overlap(checked_detection(row)["ellipse"], by_track[row["track_id"]])[0, 0] > 0.93


def test_results_are_shown_by_fiftyone_with_their_tracks(exported: Path, tmp_path: Path) -> None:
    python = peers_python()
    if "FIFTYONE_DATABASE_URI" not in os.environ:
        pytest.skip("FiftyOne needs a MongoDB server: set FIFTYONE_DATABASE_URI")
    ellipse, stage, track = OBJECTS[0]
    found = [{"image_id": 12, "ellipse": ellipse, "category_id": stage, "track_id": track, "score": 0.8}]
    (tmp_path / "results.json").write_text(json.dumps(found))
    program = (
        "import json\nfrom pathlib import Path\nfrom pipeline.bench.export.fiftyone_view import fill_data_set\n"
        f"found = json.loads(Path({str(tmp_path / 'results.json')!r}).read_text())\n"
        f"data = fill_data_set(Path({str(exported)!r}), found)\n"
        "fields = ('label', 'index', 'ellipse', 'confidence')\n"
        "print(json.dumps([[[[each[name] for name in fields] for each in sample[field].polylines]\n"
        "    for field in ('truth', 'found')] for sample in data]))\n"
        "data.delete()\n"
    )
    shown = json.loads(run_in_environment(python, ["-c", program]).splitlines()[-1])
    truth = [[STAGES[stage - 1], track, ellipse, 1.0] for ellipse, stage, track in OBJECTS]
    (first, nothing), (second, detected) = shown
    assert first == second == truth
    assert (nothing, detected) == ([], [["calcified", track, ellipse, 0.8]])


def test_wrong_arguments_are_explained() -> None:
    with pytest.raises(ConversionError, match="Give write EXPORTED"):
        main(["write"])
