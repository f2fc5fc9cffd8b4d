"""Exams of animals without eggs need no ground truth."""

from __future__ import annotations

from pathlib import Path

import pytest

from pipeline.bench.egg_free_data_set import egg_free_data_set
from pipeline.bench.ground_truth import DataSetError
from pipeline.bench.metrics_table import metrics_table
from tests.pipeline.bench.data_set_files import DATE, detection_annotation, measure_results, write_result

ROUND = [100.0, 100.0, 20.0, 20.0, 0.0]


def test_every_shelled_egg_is_a_false_positive(tmp_path: Path) -> None:
    write_result(tmp_path / "out", [detection_annotation(1, 3, ROUND), detection_annotation(2, 1, ROUND)], frames=4)
    write_result(tmp_path / "out", [], animal="AF-2", frames=4, estimate=2, interval=(1, 3), follicles=1, eggs={1: []})
    data_set = egg_free_data_set(tmp_path / "exams", tmp_path / "out")
    metrics = measure_results(data_set, tmp_path / "out")
    assert (metrics.name, metrics.frames, metrics.frames_used) == ("exams", 8, 8)
    clips = metrics.detection.egg_free_clips
    assert clips == metrics.detection.egg_free_frames
    assert (clips.frames, clips.confident_per_frame) == (8, pytest.approx(1 / 8))
    assert (metrics.counting.counts.egg_free, metrics.counting.counts.false_gravid) == (2, 1)
    text = metrics_table([metrics])
    assert "egg-free clips (8 frames): 0.125, 0.000, 0.125" in text
    assert "told eggs 1 of 2, told follicles 1 of 2; listed per clip, of 2: 0.500 eggs, 0.000 follicles" in text
    assert "egg-free animals reported with eggs: 1 of 2" in text
    assert "not found" not in text  # there are no objects


def test_a_folder_without_results_is_refused(tmp_path: Path) -> None:
    with pytest.raises(DataSetError, match="no exam in this folder could be used"):
        egg_free_data_set(tmp_path / "exams", tmp_path / "out")


def test_an_animal_with_two_exams_is_refused_by_name(tmp_path: Path) -> None:
    write_result(tmp_path / "out", [])
    first = tmp_path / "out" / "AF-1" / DATE
    second = first.with_name("2026-05-04")
    second.mkdir()
    (second / "result.json").write_text((first / "result.json").read_text().replace(DATE, "2026-05-04"))
    (second / "detections.coco.json").write_text((first / "detections.coco.json").read_text())
    with pytest.raises(DataSetError, match="AF-1 has several exams"):
        egg_free_data_set(tmp_path / "exams", tmp_path / "out")
