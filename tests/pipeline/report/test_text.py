"""The sheet's sentences."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING

import numpy as np
import pytest

from pipeline.estimate.results import Count
from pipeline.report import text

if TYPE_CHECKING:
    from tests.pipeline.report.example_exams import ExampleExam


@pytest.mark.parametrize(
    ("count", "seen", "interval"),
    [
        (Count(6, 8, (6, 10)), "8 shelled eggs", "likely 6 to 10"),
        (Count(1, 1, (1, 1)), "1 shelled egg", "likely 1"),
        (Count(0, 0, (0, 2)), "no shelled eggs seen", "up to 2 may still be there"),
        (Count(0, 0, (0, 1)), "no shelled eggs seen", "one may still be there"),
        (Count(0, 0, (0, 0)), "no shelled eggs seen", "she may still carry some"),
    ],
)
def test_counts(count: Count, seen: str, interval: str) -> None:
    assert text.shelled_count_text(count) == seen
    assert text.interval_text(count) == interval


def test_windows(clutch: ExampleExam, empty: ExampleExam, refused: ExampleExam, without_scale: ExampleExam) -> None:
    left, right, _ = clutch.scans
    assert text.windows_text(clutch.scans) == "both windows scanned"
    assert text.windows_text(empty.scans) == "left window only"
    assert text.windows_text(without_scale.scans) == "window unknown"
    assert text.windows_text(refused.scans) == "not scanned: no recording could be used"
    assert text.windows_text([left, replace(right, window=None)]).startswith("left window, and")
    assert text.windows_text([left, replace(right, used_frames=np.zeros(0, np.int64))]) == "left window only"


def test_scan(clutch: ExampleExam, refused: ExampleExam) -> None:
    assert text.scan_text(clutch.scans) == "3 clips, 1 refused; 680 of 720 frames usable (94 %)"
    assert text.scan_text(refused.scans) == "2 clips, 2 refused"


def test_sizes(clutch: ExampleExam, without_scale: ExampleExam) -> None:
    eggs = clutch.finding.eggs
    middle, more = text.size_summary_text(eggs, True)
    assert middle.endswith("mm")
    assert more.startswith("median of 7;")
    assert text.size_summary_text(without_scale.finding.eggs, False) == ("unknown: no scale", "")
    assert text.size_text(without_scale.finding.eggs[0], False) == "size unknown: no scale"
    assert text.size_text(replace(eggs[0], length_mm=None), True) == "size could not be measured"
    assert text.size_summary_text([replace(eggs[0], length_mm=float("nan"))], True) == ("could not be measured", "")


def test_stage_mix(clutch: ExampleExam) -> None:
    assert text.stage_mix_text(clutch.finding.eggs) == "6 calcified, 1 thin-shelled, 1 follicle"


def test_moments() -> None:
    assert text.frame_time_text(50, 25.0) == "2.0 s"
    assert text.frame_time_text(50, None) == "frame 50"
