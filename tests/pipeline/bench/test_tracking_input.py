"""Tracks and baselines of data sets on disk that are small enough to count by hand."""

from __future__ import annotations

from pathlib import Path

import pytest

from pipeline.bench.data_set_metrics import DataSetMetrics
from tests.pipeline.bench.data_set_files import (
    detection_annotation,
    measure_folder,
    object_annotation,
    write_result,
    write_truth,
)

FRAMES = 4
FIRST, SECOND, THIRD = [100.0, 100.0, 30.0, 20.0, 0.0], [200.0, 100.0, 30.0, 20.0, 0.0], [300.0, 300.0, 30.0, 20.0, 0.0]


def measure(folder: Path, truth: list[dict], results: list[dict], **options: object) -> DataSetMetrics:
    write_truth(folder / "set", truth, frames=FRAMES, crossed=2)
    write_result(folder / "out", results, frames=FRAMES, **options)
    return measure_folder(folder)


def in_all_frames(make, category: int, place: list[float], **options: object) -> list[dict]:
    return [make(image, category, place, **options) for image in range(1, FRAMES + 1)]


def test_one_track_for_every_object_is_perfect(tmp_path: Path) -> None:
    truth = in_all_frames(object_annotation, 3, FIRST, track=4) + in_all_frames(object_annotation, 3, THIRD, track=9)
    found = in_all_frames(detection_annotation, 3, FIRST, track=1, egg=1) + in_all_frames(
        detection_annotation, 3, THIRD, track=2, egg=2
    )
    metrics = measure(tmp_path, truth, found, eggs={1: ["left-1.mp4"], 2: ["left-1.mp4"]})
    assert (metrics.tracking.hota, metrics.tracking.idf1) == pytest.approx((1, 1))


def test_detections_in_no_track_are_missed(tmp_path: Path) -> None:
    truth = in_all_frames(object_annotation, 3, FIRST, track=4) + in_all_frames(object_annotation, 3, THIRD, track=9)
    found = in_all_frames(detection_annotation, 3, FIRST, track=1, egg=1) + in_all_frames(
        detection_annotation, 3, THIRD
    )
    metrics = measure(tmp_path, truth, found, eggs={1: ["left-1.mp4"]})
    assert (metrics.tracking.detection_accuracy, metrics.tracking.association_accuracy) == pytest.approx((0.5, 1))


def test_a_track_on_an_ignored_object_is_ignored_and_one_next_to_it_is_not(tmp_path: Path) -> None:
    truth = in_all_frames(object_annotation, 3, FIRST, track=4) + in_all_frames(
        object_annotation, 3, THIRD, track=9, ignored=True
    )
    found = in_all_frames(detection_annotation, 3, FIRST, track=1) + in_all_frames(
        detection_annotation, 3, THIRD, track=2
    )
    assert measure(tmp_path / "on", truth, found).tracking.hota == pytest.approx(1)
    found += in_all_frames(detection_annotation, 3, SECOND, track=3)
    assert measure(tmp_path / "beside", truth, found).tracking.detection_accuracy == pytest.approx(0.5)


def test_baseline_counts_of_the_same_detections(tmp_path: Path) -> None:
    """Two crossed. Frame 2 shows three. Four tracks make two eggs, one of which is in both clips."""
    truth = in_all_frames(object_annotation, 3, FIRST, track=4) + in_all_frames(object_annotation, 3, THIRD, track=9)
    found = [detection_annotation(2, 3, place, track=n) for n, place in enumerate((FIRST, SECOND, THIRD), 1)]
    found += [
        detection_annotation(3, 3, FIRST, score=0.4, track=4),
        detection_annotation(3, 1, THIRD, track=5),
        detection_annotation(3, 3, SECOND),
    ]
    eggs = {1: ["left-1.mp4", "left-1.mp4", "right-1.mp4"], 2: ["left-1.mp4"]}
    baselines = measure(tmp_path, truth, found, eggs=eggs).counting.baselines
    assert {name: each.bias for name, each in baselines.items()} == {
        "most in one frame": 1,
        "tracks, not merged": 2,
        "sum over clips": 1,
    }
    assert [each.within_1 for each in baselines.values()] == [1, 0, 1]


def test_without_object_identities_there_are_no_tracking_metrics(tmp_path: Path) -> None:
    metrics = measure(
        tmp_path, in_all_frames(object_annotation, 3, FIRST), in_all_frames(detection_annotation, 3, FIRST, track=1)
    )
    assert metrics.tracking.hota is None
