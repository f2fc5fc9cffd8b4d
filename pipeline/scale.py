"""Millimetres per pixel of a clip: what the recording tells itself, else what a person noted beside it."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

from pipeline.exams import ExamClip
from pipeline.ingest.ruler import fitting_tick_mm

__all__ = ["RecordedScale", "Scale", "ScaleSource", "clip_scale"]

ScaleSource = Literal["dicom", "sidecar", "unknown"]

# Scales that differ by less mean the same, one of them read off a screen (common practice, no source).
AGREE_WITHIN = 0.03


@dataclass(frozen=True)
class RecordedScale:
    """What the recording's bytes tell. mm_per_px : None if unknown;  fault : why what it tells was not believed
    tick_px : between the ticks of the ruler on its screen, None if none was read
    """

    mm_per_px: float | None = None
    fault: str | None = None
    tick_px: float | None = None


@dataclass(frozen=True)
class Scale:
    """mm_per_px : None if unknown;  note : what a technician should know of it, None if nothing"""

    mm_per_px: float | None
    source: ScaleSource
    note: str | None


def clip_scale(clip: ExamClip, recorded: RecordedScale, depth_px: float | None) -> Scale:
    """The recording's own scale, else the side file's, given as such or as its depth over the sector's depth in px.

    Where both tell one and they disagree, the recording's holds and the note says so.
    """
    noted = clip.mm_per_px
    if noted is None and clip.depth_mm is not None and depth_px:
        noted = clip.depth_mm / depth_px
    if recorded.mm_per_px is not None:
        # A sector fades before it ends, so a depth noted is no check; a scale noted is.
        differ = clip.mm_per_px is not None and abs(clip.mm_per_px / recorded.mm_per_px - 1.0) > AGREE_WITHIN
        note = f"exam.toml says {clip.mm_per_px:.3g} mm/px, the file's own scale was used" if differ else None
        return Scale(recorded.mm_per_px, "dicom", note or _against_the_ruler(recorded.mm_per_px, recorded))
    if noted is None:
        return Scale(None, "unknown", recorded.fault)
    # A depth noted is no check for the ruler: a sector fades before it ends.
    note = recorded.fault or (_against_the_ruler(noted, recorded) if clip.mm_per_px is not None else None)
    return Scale(noted, "sidecar", note)


def _against_the_ruler(mm_per_px: float, recorded: RecordedScale) -> str | None:
    if recorded.tick_px is None or fitting_tick_mm(recorded.tick_px, mm_per_px) is not None:
        return None
    tick_mm = recorded.tick_px * mm_per_px
    return f"the ticks of the ruler on the screen would be {tick_mm:.3g} mm apart, which no ruler has; check the scale"
