"""Exams of animals that carry nothing need no truth."""

from __future__ import annotations

from pathlib import Path

import pytest

from pipeline.bench.data_set_metrics import measure_data_set
from pipeline.bench.egg_free_data_set import egg_free_data_set
from pipeline.bench.ground_truth import DataSetError
from pipeline.bench.metrics_table import metrics_table
from tests.pipeline.bench.data_set_files import DATE, detection_annotation, write_result

ROUND = [100.0, 100.0, 20.0, 20.0, 0.0]


def test_every_shelled_egg_is_a_false_alarm(tmp_path: Path) -> None:
    write_result(tmp_path / "out", [detection_annotation(1, 3, ROUND), detection_annotation(2, 1, ROUND)], frames=4)
    write_result(tmp_path / "out", [], animal="AF-2", frames=4, estimate=2, interval=(1, 3))
    figures = measure_data_set(egg_free_data_set(tmp_path / "exams", tmp_path / "out"), tmp_path / "out")
    assert (figures.name, figures.frames, figures.frames_used) == ("exams", 8, 8)
    assert figures.egg_free_clip_false_positives == figures.egg_free_frame_false_positives
    assert (
        figures.egg_free_clip_false_positives.frames,
        figures.egg_free_clip_false_positives.confident_per_frame,
    ) == (8, pytest.approx(1 / 8))
    assert (figures.counts.egg_free, figures.counts.false_gravid) == (2, 1)
    text = metrics_table([figures])
    assert "clips without any (8 frames): 0.125, 0.000, 0.125" in text
    assert "egg-free called gravid: 1 of 2" in text
    assert "not found" not in text  # there is nothing to find


def test_nothing_to_measure_is_told(tmp_path: Path) -> None:
    with pytest.raises(DataSetError, match="no exam in it could be used"):
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
