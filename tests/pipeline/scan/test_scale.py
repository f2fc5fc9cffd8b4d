"""Which of several scales of a clip is used, and what is noted about it."""

from __future__ import annotations

from pathlib import Path

import pytest

from pipeline.exams.exam import ExamClip
from pipeline.ingest.sector.ruler import Ruler
from pipeline.scan.scale import RecordedScale, Scale, clip_scale


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
def test_the_recordings_own_scale_has_priority_and_none_is_guessed(
    mm_per_px: float | None, depth_mm: float | None, depth_px: float | None, recorded: float | None, expected: object
) -> None:
    scale = clip_scale(clip(mm_per_px, depth_mm), RecordedScale(recorded), depth_px)
    assert (scale.mm_per_px, scale.source) == expected
    assert scale.note is None


def test_scales_that_disagree_are_reported() -> None:
    scale = clip_scale(clip(0.6), RecordedScale(0.3), None)
    assert (scale.mm_per_px, scale.source) == (0.3, "dicom")
    assert scale.note == "exam.toml says 0.6 mm/px, the file's own scale was used"


def test_why_the_recordings_scale_is_rejected_is_reported_whatever_else_is_used() -> None:
    refused = RecordedScale(None, "no scanner makes that")
    assert clip_scale(clip(), refused, None).note == "no scanner makes that"
    assert clip_scale(clip(0.2), refused, None).note == "no scanner makes that"
    assert clip_scale(clip(0.2), refused, None).mm_per_px == 0.2


RULER = Ruler(spacing_px=40.0, ticks=10, confidence=0.95)


def test_a_scale_is_compared_with_the_ruler_on_the_screen() -> None:
    ruled = RecordedScale(ruler=RULER)
    fitting = clip_scale(clip(0.25), ruled, None)
    assert (fitting.mm_per_px, fitting.source) == (0.25, "sidecar")
    assert fitting.note == "consistent with the ruler on the screen (confidence 0.95), ticks 10 mm apart"
    doubtful = clip_scale(clip(0.18), ruled, None)
    assert (doubtful.mm_per_px, doubtful.source) == (0.18, "sidecar")
    assert "7.2 mm apart, which no ruler has" in str(doubtful.note)
    own = clip_scale(clip(), RecordedScale(0.125, ruler=RULER), None)
    assert own == Scale(0.125, "dicom", "consistent with the ruler on the screen (confidence 0.95), ticks 5 mm apart")
    # A scale from a noted depth is not compared, because a sector fades before it ends.
    assert clip_scale(clip(None, 72.0), ruled, 400.0).note is None


def test_a_ruler_alone_gives_no_scale_and_the_note_says_what_is_missing() -> None:
    scale = clip_scale(clip(), RecordedScale(ruler=RULER), None)
    assert (scale.mm_per_px, scale.source) == (None, "unknown")
    assert "(confidence 0.95) has ticks 40 px apart, but their distance in mm is unknown" in str(scale.note)


def test_a_ruler_with_a_known_tick_distance_gives_the_scale_where_nothing_else_does() -> None:
    ruled = RecordedScale(ruler=RULER, tick_mm=10.0)
    scale = clip_scale(clip(), ruled, None)
    assert (scale.mm_per_px, scale.source) == (0.25, "ruler")
    assert "confidence 0.95" in str(scale.note)
    assert "10 mm as set in the settings" in str(scale.note)
    # A noted scale has priority, and is compared with the tick distance of the settings only.
    noted = clip_scale(clip(0.125), ruled, None)
    assert (noted.mm_per_px, noted.source) == (0.125, "sidecar")
    assert "5 mm apart, but the settings say 10; check the scale" in str(noted.note)
    # Where the file's own scale is rejected, the ruler's is used, and the note says both.
    refused = clip_scale(clip(), RecordedScale(None, "no scanner makes that", RULER, 10.0), None)
    assert (refused.mm_per_px, refused.source) == (0.25, "ruler")
    assert str(refused.note).startswith("no scanner makes that; from the ruler")
    # Without a ruler the tick distance is of no use.
    assert clip_scale(clip(), RecordedScale(tick_mm=10.0), None) == Scale(None, "unknown", None)
