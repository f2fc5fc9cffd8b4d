"""Tracks, double counts and plain counts of data sets on disk, small enough to be told by hand."""

from __future__ import annotations

from pathlib import Path

import pytest

from pipeline.bench.data_set_metrics import DataSetMetrics, measure_data_set
from pipeline.bench.ground_truth import open_data_set
from tests.pipeline.bench.data_set_files import detection_annotation, object_annotation, write_result, write_truth

FRAMES = 4
HERE, BESIDE, FAR = [100.0, 100.0, 30.0, 20.0, 0.0], [200.0, 100.0, 30.0, 20.0, 0.0], [300.0, 300.0, 30.0, 20.0, 0.0]


def measured(folder: Path, truth: list[dict], results: list[dict], **told: object) -> DataSetMetrics:
    write_truth(folder / "set", truth, frames=FRAMES, crossed=2)
    write_result(folder / "out", results, frames=FRAMES, **told)
    return measure_data_set(open_data_set(folder / "set"), folder / "out")


def in_all_frames(make, category: int, place: list[float], **told: object) -> list[dict]:
    return [make(image, category, place, **told) for image in range(1, FRAMES + 1)]


def test_every_object_under_its_own_name_is_followed_perfectly(tmp_path: Path) -> None:
    truth = in_all_frames(object_annotation, 3, HERE, track=4) + in_all_frames(object_annotation, 3, FAR, track=9)
    seen = in_all_frames(detection_annotation, 3, HERE, track=1, egg=1) + in_all_frames(
        detection_annotation, 3, FAR, track=2, egg=2
    )
    figures = measured(tmp_path, truth, seen, eggs={1: ["left-1.mp4"], 2: ["left-1.mp4"]})
    assert (figures.tracking.hota, figures.tracking.idf1) == pytest.approx((1, 1))
    assert vars(figures.double_counts) == {
        "crossed": 2,
        "listed": 2,
        "duplicates": 0,
        "false_eggs": 0,
        "merged": 0,
        "missed": 0,
    }


def test_what_no_track_follows_is_missed_by_the_tracks(tmp_path: Path) -> None:
    truth = in_all_frames(object_annotation, 3, HERE, track=4) + in_all_frames(object_annotation, 3, FAR, track=9)
    seen = in_all_frames(detection_annotation, 3, HERE, track=1, egg=1) + in_all_frames(detection_annotation, 3, FAR)
    figures = measured(tmp_path, truth, seen, eggs={1: ["left-1.mp4"]})
    assert (figures.tracking.detection_accuracy, figures.tracking.association_accuracy) == pytest.approx((0.5, 1))
    assert (figures.double_counts.missed, figures.double_counts.merged) == (1, 0)


def test_a_track_on_an_ignored_object_counts_neither_way_and_one_beside_it_does(tmp_path: Path) -> None:
    truth = in_all_frames(object_annotation, 3, HERE, track=4) + in_all_frames(
        object_annotation, 3, FAR, track=9, ignored=True
    )
    seen = in_all_frames(detection_annotation, 3, HERE, track=1) + in_all_frames(detection_annotation, 3, FAR, track=2)
    assert measured(tmp_path / "on", truth, seen).tracking.hota == pytest.approx(1)
    seen += in_all_frames(detection_annotation, 3, BESIDE, track=3)
    assert measured(tmp_path / "beside", truth, seen).tracking.detection_accuracy == pytest.approx(0.5)


def test_an_egg_listed_twice_and_one_that_is_none_are_told_apart(tmp_path: Path) -> None:
    truth = in_all_frames(object_annotation, 3, HERE, track=4)
    seen = [detection_annotation(n, 3, HERE, track=n, egg=n) for n in (1, 2)] + in_all_frames(
        detection_annotation, 3, FAR, track=5, egg=3
    )
    double = measured(tmp_path, truth, seen, eggs={n: ["left-1.mp4"] for n in (1, 2, 3)}).double_counts
    assert (double.duplicates, double.false_eggs, double.missed, double.merged) == (1, 1, 0, 0)
    assert double.crossed == double.listed - double.duplicates - double.false_eggs + double.merged + double.missed


def test_an_egg_under_the_name_of_another_is_merged_and_not_missed(tmp_path: Path) -> None:
    truth = in_all_frames(object_annotation, 3, HERE, track=4) + in_all_frames(object_annotation, 3, FAR, track=9)[:3]
    seen = (
        in_all_frames(detection_annotation, 3, HERE, track=1, egg=1)
        + in_all_frames(detection_annotation, 3, FAR, track=2, egg=1)[:3]
    )
    double = measured(tmp_path, truth, seen, eggs={1: ["left-1.mp4", "left-1.mp4"]}).double_counts
    assert (double.merged, double.missed, double.duplicates) == (1, 0, 0)


def test_the_same_detections_counted_otherwise(tmp_path: Path) -> None:
    """Two crossed. Frame 2 shows three; four tracks make two eggs, one of which is seen in both clips."""
    truth = in_all_frames(object_annotation, 3, HERE, track=4) + in_all_frames(object_annotation, 3, FAR, track=9)
    seen = [detection_annotation(2, 3, place, track=n) for n, place in enumerate((HERE, BESIDE, FAR), 1)]
    seen += [
        detection_annotation(3, 3, HERE, score=0.4, track=4),
        detection_annotation(3, 1, FAR, track=5),
        detection_annotation(3, 3, BESIDE),
    ]
    eggs = {1: ["left-1.mp4", "left-1.mp4", "right-1.mp4"], 2: ["left-1.mp4"]}
    plain = measured(tmp_path, truth, seen, eggs=eggs).baseline_counts
    assert {name: each.bias for name, each in plain.items()} == {
        "most in one frame": 1,
        "tracks, not merged": 2,
        "sum over clips": 1,
    }
    assert [each.within_1 for each in plain.values()] == [1, 0, 1]


def test_a_data_set_that_does_not_tell_objects_apart_has_no_figures_of_tracks(tmp_path: Path) -> None:
    figures = measured(
        tmp_path, in_all_frames(object_annotation, 3, HERE), in_all_frames(detection_annotation, 3, HERE, track=1)
    )
    assert figures.tracking.hota is None
    assert figures.double_counts is None
