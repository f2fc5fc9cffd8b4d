from __future__ import annotations

from pathlib import Path

import numpy as np

from pipeline.bench.detection_matching import match_detections, value_of_nearest_object
from pipeline.bench.exported_detections import ExportedDetections
from pipeline.bench.ground_truth import TrueObjects, open_data_set
from pipeline.bench.results.own_output import read_own_output
from tests.pipeline.bench.data_set_files import detection_annotation, object_annotation, write_result, write_truth


def round_at(x: float, radius: float = 20.0) -> list[float]:
    return [x, 100.0, radius, radius, 0.0]


def read_tables(
    folder: Path, truth: list[dict[str, object]], found: list[dict[str, object]]
) -> tuple[TrueObjects, ExportedDetections]:
    write_truth(folder / "set", truth)
    write_result(folder / "out", found)
    data_set = open_data_set(folder / "set")
    return data_set.objects, read_own_output(data_set, folder / "out").found


def test_a_detection_takes_the_value_of_the_object_it_overlaps_most(tmp_path: Path) -> None:
    truth = [
        object_annotation(1, 3, round_at(100)),
        object_annotation(1, 3, round_at(130), ignored=True),
        object_annotation(2, 3, round_at(300)),
    ]
    found = [
        detection_annotation(1, 3, round_at(105)),
        detection_annotation(1, 3, round_at(128)),
        detection_annotation(1, 3, round_at(300)),
        detection_annotation(2, 3, round_at(330)),
    ]
    objects, detections = read_tables(tmp_path, truth, found)
    # The third detection overlaps only an object of another frame.
    np.testing.assert_array_equal(
        value_of_nearest_object(objects, detections, np.array([1.0, 2.0, 3.0])), [1.0, 2.0, np.nan, 3.0]
    )


def test_pairs_are_one_to_one_in_their_frames(tmp_path: Path) -> None:
    truth = [object_annotation(1, 3, round_at(100)), object_annotation(2, 3, round_at(100))]
    found = [
        detection_annotation(1, 3, round_at(103)),
        detection_annotation(1, 3, round_at(101)),  # closer
        detection_annotation(2, 3, round_at(100), score=0.49),  # score too low
    ]
    matches = match_detections(*read_tables(tmp_path, truth, found))
    assert (matches.detection_rows.tolist(), matches.object_rows.tolist()) == ([1], [0])
    assert matches.is_evaluated.tolist() == [True, True, False]
    np.testing.assert_allclose((matches.centre_error_px, matches.axis_error_px), [[1.0], [0.0]])


def test_a_detection_of_an_ignored_object_is_neither_right_nor_wrong(tmp_path: Path) -> None:
    truth = [object_annotation(1, 3, round_at(100), ignored=True), object_annotation(1, 3, round_at(118))]
    # The second also overlaps the ignored object by a third, and is still right.
    found = [
        detection_annotation(1, 3, round_at(98)),
        detection_annotation(1, 3, round_at(116)),
        detection_annotation(1, 3, round_at(300)),
    ]
    matches = match_detections(*read_tables(tmp_path, truth, found))
    assert (matches.detection_rows.tolist(), matches.object_rows.tolist()) == ([1], [1])
    assert matches.is_evaluated.tolist() == [False, True, True]
