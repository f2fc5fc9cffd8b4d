"""Paths whose errors are known, because they were put there."""

from __future__ import annotations

import json
from pathlib import Path

import numpy as np
import pytest
from numpy.typing import NDArray

from pipeline.bench.exported_detections import result_folders
from pipeline.bench.ground_truth import open_data_set
from pipeline.bench.probe_path_error import ProbePathMetrics, probe_path_metrics
from tests.pipeline.bench.data_set_files import DATE, write_result, write_truth

FRAMES, MM_PER_PX = 101, 0.5
Floats = NDArray[np.float64]


def figures(folder: Path, true_mm: Floats | None, told: Floats | None) -> ProbePathMetrics:
    """true_mm : (FRAMES, 3);  told : (K, 4) rows of the file, None where there is none"""
    write_truth(folder / "set", [])
    written = folder / "set" / "animals.json"
    animals = json.loads(written.read_text())
    clip = {"window": "left", "mm_per_px": MM_PER_PX}
    if true_mm is not None:
        clip["path_mm"] = true_mm.tolist()
    animals["AF-1"]["clips"] = {"left-1.mp4": clip}
    written.write_text(json.dumps(animals))
    write_result(folder / "out", [])
    if told is not None:
        rows = [",".join(map(str, row)) for row in told.tolist()]
        path = folder / "out" / "AF-1" / DATE / "left-1.path.csv"
        path.write_text("\n".join(["frame,along,x_px,y_px", *rows, ""]))
    data_set = open_data_set(folder / "set")
    assert data_set.has_probe_paths == (true_mm is not None)
    return probe_path_metrics(data_set, result_folders(folder / "out"))


def rows(along: Floats, shift_px: Floats | None = None) -> Floats:
    shift = np.zeros((FRAMES, 2)) if shift_px is None else shift_px
    return np.column_stack([np.arange(FRAMES), along, shift])


def mm(along: Floats) -> Floats:
    return np.column_stack([along, np.zeros((FRAMES, 2))])


EVEN = np.linspace(0, 50, FRAMES)
BACK = np.concatenate([EVEN[:61], EVEN[59:19:-1]])


def test_a_path_in_another_unit_and_the_other_way_is_right(tmp_path: Path) -> None:
    told = figures(tmp_path, mm(-EVEN), rows(EVEN / 4))
    assert (told.clips, told.returned) == (1, 0)
    assert (told.error, told.constant_speed_error, told.unit_mm) == pytest.approx((0, 0, 4))
    assert told.returned_error is None


def test_a_return_that_was_not_seen_is_an_error_and_one_that_was_is_none(tmp_path: Path) -> None:
    unseen = figures(tmp_path / "unseen", mm(BACK), rows(EVEN))
    assert unseen.returned == 1
    assert unseen.error == unseen.returned_error == pytest.approx(unseen.returned_constant_speed_error)
    left = BACK - np.polyval(np.polyfit(EVEN, BACK, 1), EVEN)
    assert unseen.error == pytest.approx(left.std() / 30)
    seen = figures(tmp_path / "seen", mm(BACK), rows(BACK))
    assert seen.returned_error == pytest.approx(0)
    assert seen.returned_constant_speed_error == unseen.error


def test_frames_without_a_line_are_left_out(tmp_path: Path) -> None:
    told = figures(tmp_path, mm(EVEN), rows(EVEN)[::7])
    assert told.error == pytest.approx(0)


def test_tissue_goes_the_other_way_in_the_plane(tmp_path: Path) -> None:
    slid = np.column_stack([EVEN, 0.1 * EVEN, -0.2 * EVEN])
    told = figures(tmp_path, slid, rows(EVEN, -slid[:, 1:] / MM_PER_PX))
    assert told.in_plane_error_mm == pytest.approx(0)
    assert told.still_baseline_error_mm == pytest.approx(np.hypot(0.1, 0.2) * EVEN.std())


@pytest.mark.parametrize(("true_mm", "told"), [(None, rows(EVEN)), (mm(EVEN), None), (mm(EVEN), rows(EVEN)[:0])])
def test_what_is_not_known_or_not_told_is_not_judged(
    tmp_path: Path, true_mm: Floats | None, told: Floats | None
) -> None:
    assert figures(tmp_path, true_mm, told) == ProbePathMetrics(0, 0, *[None] * 8)
