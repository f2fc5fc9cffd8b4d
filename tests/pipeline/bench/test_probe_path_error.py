"""Estimated paths whose errors are known, because they are deliberate."""

from __future__ import annotations

import json
from pathlib import Path

import numpy as np
import pytest
from numpy.typing import NDArray

from pipeline.bench.ground_truth import open_data_set
from pipeline.bench.probe_path_error import ProbePathMetrics, probe_path_metrics
from pipeline.bench.result_files import result_folders
from tests.pipeline.bench.data_set_files import DATE, write_result, write_truth

FRAMES = 101
Floats = NDArray[np.float64]


def measure(folder: Path, true_mm: Floats | None, estimated: Floats | None) -> ProbePathMetrics:
    """true_mm : (FRAMES, 3), None if unknown;  estimated : (K, 4) rows of the file, None without a file"""
    write_truth(folder / "set", [])
    written = folder / "set" / "animals.json"
    animals = json.loads(written.read_text())
    clip = {"window": "left", "mm_per_px": 0.5}
    if true_mm is not None:
        clip["path_mm"] = true_mm.tolist()
    animals["AF-1"]["clips"] = {"left-1.mp4": clip}
    written.write_text(json.dumps(animals))
    write_result(folder / "out", [])
    if estimated is not None:
        rows = [",".join(map(str, row)) for row in estimated.tolist()]
        path = folder / "out" / "AF-1" / DATE / "left-1.path.csv"
        path.write_text("\n".join(["frame,pass,position,in_plane_degrees", *rows, ""]))
    return probe_path_metrics(open_data_set(folder / "set"), result_folders(folder / "out"))


def rows(positions: Floats) -> Floats:
    return np.column_stack([np.arange(FRAMES), np.ones(FRAMES), positions, np.zeros(FRAMES)])


def mm(along: Floats) -> Floats:
    return np.column_stack([along, np.zeros((FRAMES, 2))])


CONSTANT_SPEED = np.linspace(0, 50, FRAMES)
THERE_AND_BACK = np.concatenate([CONSTANT_SPEED[:61], CONSTANT_SPEED[59:19:-1]])


def test_another_unit_and_the_opposite_direction_are_no_errors(tmp_path: Path) -> None:
    metrics = measure(tmp_path, mm(-CONSTANT_SPEED), rows(CONSTANT_SPEED / 4))
    assert (metrics.clips, metrics.returned) == (1, 0)
    assert (metrics.error, metrics.constant_speed_error, metrics.unit_mm) == pytest.approx((0, 0, 4))
    assert metrics.returned_error is None


def test_an_unnoticed_return_is_an_error(tmp_path: Path) -> None:
    unnoticed = measure(tmp_path / "unnoticed", mm(THERE_AND_BACK), rows(CONSTANT_SPEED))
    assert unnoticed.returned == 1
    assert unnoticed.error == unnoticed.returned_error == pytest.approx(unnoticed.returned_constant_speed_error)
    residuals = THERE_AND_BACK - np.polyval(np.polyfit(CONSTANT_SPEED, THERE_AND_BACK, 1), CONSTANT_SPEED)
    assert unnoticed.error == pytest.approx(residuals.std() / 30)
    noticed = measure(tmp_path / "noticed", mm(THERE_AND_BACK), rows(THERE_AND_BACK))
    assert noticed.returned_error == pytest.approx(0)
    assert noticed.returned_constant_speed_error == unnoticed.error


def test_frames_that_are_not_in_the_file_are_left_out(tmp_path: Path) -> None:
    metrics = measure(tmp_path, mm(CONSTANT_SPEED), rows(CONSTANT_SPEED)[::7])
    assert metrics.error == pytest.approx(0)


@pytest.mark.parametrize(
    ("true_mm", "estimated"),
    [(None, rows(CONSTANT_SPEED)), (mm(CONSTANT_SPEED), None), (mm(CONSTANT_SPEED), rows(CONSTANT_SPEED)[:0])],
)
def test_clips_without_a_known_or_an_estimated_path_are_left_out(
    tmp_path: Path, true_mm: Floats | None, estimated: Floats | None
) -> None:
    assert measure(tmp_path, true_mm, estimated) == ProbePathMetrics(0, 0, *[None] * 6)
