"""Which scale holds."""

from __future__ import annotations

from pathlib import Path

import pytest

from pipeline.exams import ExamClip
from pipeline.scale import RecordedScale, Scale, clip_scale


def clip(mm_per_px: float | None = None, depth_mm: float | None = None) -> ExamClip:
    return ExamClip(Path("a.dcm"), "a.dcm", None, mm_per_px, depth_mm)


@pytest.mark.parametrize(
    ("mm_per_px", "depth_mm", "depth_px", "recorded", "expected"),
    [
        (0.22, None, 400.0, None, (0.22, "sidecar")),
        (None, 90.0, 450.0, None, (0.2, "sidecar")),
        (None, 90.0, None, None, (None, "unknown")),
        (None, None, 450.0, None, (None, "unknown")),
        (None, None, 450.0, 0.3, (0.3, "dicom")),
        (0.301, None, 450.0, 0.3, (0.3, "dicom")),
        (None, 90.0, 450.0, 0.3, (0.3, "dicom")),
    ],
)
def test_the_recordings_own_scale_comes_first_and_none_is_guessed(
    mm_per_px: float | None, depth_mm: float | None, depth_px: float | None, recorded: float | None, expected: object
) -> None:
    scale = clip_scale(clip(mm_per_px, depth_mm), RecordedScale(recorded), depth_px)
    assert (scale.mm_per_px, scale.source) == expected
    assert scale.note is None


def test_scales_that_disagree_are_told() -> None:
    scale = clip_scale(clip(0.6), RecordedScale(0.3), None)
    assert (scale.mm_per_px, scale.source) == (0.3, "dicom")
    assert scale.note == "exam.toml says 0.6 mm/px, the file's own scale was used"


def test_why_the_recordings_scale_is_not_believed_is_told_whatever_else_is_used() -> None:
    refused = RecordedScale(None, "no scanner makes that")
    assert clip_scale(clip(), refused, None).note == "no scanner makes that"
    assert clip_scale(clip(0.2), refused, None).note == "no scanner makes that"
    assert clip_scale(clip(0.2), refused, None).mm_per_px == 0.2


def test_a_scale_that_gives_the_ruler_ticks_of_no_unit_is_told() -> None:
    ruled = RecordedScale(tick_px=40.0)
    assert clip_scale(clip(0.25), ruled, None) == Scale(0.25, "sidecar", None)  # 10 mm
    doubtful = clip_scale(clip(0.18), ruled, None)
    assert (doubtful.mm_per_px, doubtful.source) == (0.18, "sidecar")
    assert doubtful.note is not None
    assert "7.2 mm apart" in doubtful.note
    # A ruler alone gives no scale, and neither does it doubt one made from a depth.
    assert clip_scale(clip(), ruled, None) == Scale(None, "unknown", None)
    assert clip_scale(clip(None, 72.0), ruled, 400.0).note is None
