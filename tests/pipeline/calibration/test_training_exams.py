from __future__ import annotations

import json
from pathlib import Path

import pytest

from pipeline.bench.ground_truth import open_data_set
from pipeline.calibration.training_exams import read_training_exams
from pipeline.settings import load_settings
from pipeline.track.merging.by_kind import ByKind
from tests.pipeline.bench.data_set_files import DATE, object_annotation, write_truth
from tests.pipeline.blob_finder import BlobFinder, write_exam_folder

FRAMES = 40
FOUND_EGG, MISSED_FOLLICLE = [40.0, 50.0, 12.0, 12.0, 0.0], [150.0, 130.0, 8.0, 8.0, 0.0]


def write_data_set(folder: Path, *, egg_in_good_view: bool) -> Path:
    """One animal with an egg that the blob finder finds and a follicle that it does not find."""
    write_exam_folder(folder, "AF-0001", {"left-1.mp4": 1}, date=DATE)
    annotations = [
        object_annotation(frame + 1, category, ellipse, track=track, depth_mm=20.0, ignored=frame not in range(15, 25))
        for frame in range(FRAMES)
        for track, category, ellipse in ((1, 3, FOUND_EGG), (2, 1, MISSED_FOLLICLE))
    ]
    write_truth(folder, annotations, animals=("AF-0001",), frames=FRAMES, carried=1, mm_per_px=0.5)
    path = folder / "animals.json"
    animals = json.loads(path.read_text())
    animals["AF-0001"]["objects"] = [
        {"id": 1, "stage": "calcified", "seen": egg_in_good_view},
        {"id": 2, "stage": "follicle", "seen": True},
    ]
    animals["AF-0001"]["seen"] = {"follicle": 1, "thin-shelled": 0, "calcified": int(egg_in_good_view)}
    path.write_text(json.dumps(animals))
    return folder


@pytest.mark.parametrize("egg_in_good_view", [True, False])
def test_tracks_and_crossed_objects_are_labelled_by_the_ground_truth(tmp_path: Path, egg_in_good_view: bool) -> None:
    data_set = open_data_set(write_data_set(tmp_path / "set", egg_in_good_view=egg_in_good_view))
    (exam,) = read_training_exams(data_set, tmp_path / "out", BlobFinder, load_settings())
    assert len(exam.clips) == len(exam.coverage) == 1
    # A track of an object that is not counted as crossed must not count as real either.
    assert set(exam.track_labels.values()) == {"shelled" if egg_in_good_view else "none"}
    assert exam.crossed_counts == ByKind(shelled=int(egg_in_good_view), follicles=1)
    assert exam.missed_counts == ByKind(shelled=0, follicles=1)
    egg, follicle = exam.objects
    assert (egg.shelled, egg.detected) == (True, True)
    assert (follicle.shelled, follicle.detected) == (False, False)
    # Shares of the picture's depth, in which 1 px is 0.5 mm: 12 and 8 px, at 20 mm.
    assert egg.size / follicle.size == pytest.approx(12 / 8)
    assert egg.depth / egg.size == pytest.approx(20.0 / 0.5 / 12)
