"""Millimetres per pixel of a clip: from the recording itself, else from what a person noted in ``exam.toml``."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

from pipeline.exams.exam import ExamClip
from pipeline.ingest.sector.ruler import Ruler, matching_tick_mm

__all__ = ["RecordedScale", "Scale", "ScaleSource", "clip_scale"]

ScaleSource = Literal["dicom", "sidecar", "ruler", "unknown"]

# Relative difference up to which two scales agree; one of them was read off a screen (common practice, no source).
SCALE_TOLERANCE = 0.03


@dataclass(frozen=True)
class RecordedScale:
    """What the recording itself says about its scale.

    mm_per_px : from the header, None if unknown;  fault : why the header's scale was rejected
    ruler : on its screen, None if none was found;  tick_mm : distance between two of its ticks, None if unknown
    """

    mm_per_px: float | None = None
    fault: str | None = None
    ruler: Ruler | None = None
    tick_mm: float | None = None


@dataclass(frozen=True)
class Scale:
    """mm_per_px : None if unknown;  note : what a technician should know about it, None if nothing"""

    mm_per_px: float | None
    source: ScaleSource
    note: str | None


def clip_scale(clip: ExamClip, recorded: RecordedScale, imaging_depth_px: float | None) -> Scale:
    """The recording's own scale, else the side file's, else that of a ruler on the screen with a known tick distance.

    The side file may give the imaging depth instead, which covers ``imaging_depth_px`` pixels. Where the recording and
    the side file both give a scale and they disagree, the recording's is used and the note says so.
    """
    noted = clip.mm_per_px
    if noted is None and clip.depth_mm is not None and imaging_depth_px:
        noted = clip.depth_mm / imaging_depth_px
    if recorded.mm_per_px is not None:
        # A noted depth cannot check a scale, because a sector fades before it ends; a noted scale can.
        disagrees = clip.mm_per_px is not None and abs(clip.mm_per_px / recorded.mm_per_px - 1.0) > SCALE_TOLERANCE
        note = f"exam.toml says {clip.mm_per_px:.3g} mm/px, the file's own scale was used" if disagrees else None
        return Scale(recorded.mm_per_px, "dicom", note or _compare_with_ruler(recorded.mm_per_px, recorded))
    if noted is not None:
        # For the same reason a scale from a noted depth is not compared with the ruler.
        note = recorded.fault or (_compare_with_ruler(noted, recorded) if clip.mm_per_px is not None else None)
        return Scale(noted, "sidecar", note)
    ruler, tick_mm = recorded.ruler, recorded.tick_mm
    if ruler is None:
        return Scale(None, "unknown", recorded.fault)
    if tick_mm is None:
        missing = (
            f"{_describe(ruler)} has ticks {ruler.spacing_px:.4g} px apart, but their distance in mm is unknown "
            "(setting ruler_tick_mm)"
        )
        return Scale(None, "unknown", recorded.fault or missing)
    used = f"from {_describe(ruler)}, with ticks of {tick_mm:g} mm as set in the settings"
    return Scale(tick_mm / ruler.spacing_px, "ruler", "; ".join(part for part in (recorded.fault, used) if part))


def _compare_with_ruler(mm_per_px: float, recorded: RecordedScale) -> str | None:
    ruler = recorded.ruler
    if ruler is None:
        return None
    tick_mm = matching_tick_mm(ruler.spacing_px, mm_per_px, recorded.tick_mm)
    if tick_mm is not None:
        return f"consistent with {_describe(ruler)}, ticks {tick_mm:g} mm apart"
    found_mm = ruler.spacing_px * mm_per_px
    expected = "which no ruler has" if recorded.tick_mm is None else f"but the settings say {recorded.tick_mm:g}"
    return f"with this scale the ticks of {_describe(ruler)} are {found_mm:.3g} mm apart, {expected}; check the scale"


def _describe(ruler: Ruler) -> str:
    return f"the ruler on the screen (confidence {ruler.confidence:.2f})"
