"""Millimetres per pixel of a clip: what the recording tells itself, else what a person noted beside it."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

from pipeline.exams.exam_search import ExamClip
from pipeline.ingest.sector.ruler import Ruler, matching_tick_mm

__all__ = ["RecordedScale", "Scale", "ScaleSource", "clip_scale"]

ScaleSource = Literal["dicom", "sidecar", "ruler", "unknown"]

# Scales that differ by less mean the same, one of them read off a screen (common practice, no source).
SCALE_TOLERANCE = 0.03


@dataclass(frozen=True)
class RecordedScale:
    """What the recording's bytes tell. mm_per_px : None if unknown;  fault : why what it tells was not believed
    ruler : on its screen, None if none was read;  tick_mm : what one of its ticks stands for, None if nobody said
    """

    mm_per_px: float | None = None
    fault: str | None = None
    ruler: Ruler | None = None
    tick_mm: float | None = None


@dataclass(frozen=True)
class Scale:
    """mm_per_px : None if unknown;  note : what a technician should know of it, None if nothing"""

    mm_per_px: float | None
    source: ScaleSource
    note: str | None


def clip_scale(clip: ExamClip, recorded: RecordedScale, imaging_depth_px: float | None) -> Scale:
    """The recording's own scale, else the side file's, else that of a ruler on the screen whose ticks are known.

    A side file may give the depth instead, of which the sector has so many px. Where the recording and the side file
    both tell a scale and they disagree, the recording's holds and the note says so.
    """
    noted = clip.mm_per_px
    if noted is None and clip.depth_mm is not None and imaging_depth_px:
        noted = clip.depth_mm / imaging_depth_px
    if recorded.mm_per_px is not None:
        # A sector fades before it ends, so a depth noted is no check; a scale noted is.
        differ = clip.mm_per_px is not None and abs(clip.mm_per_px / recorded.mm_per_px - 1.0) > SCALE_TOLERANCE
        note = f"exam.toml says {clip.mm_per_px:.3g} mm/px, the file's own scale was used" if differ else None
        return Scale(recorded.mm_per_px, "dicom", note or _against_the_ruler(recorded.mm_per_px, recorded))
    if noted is not None:
        # A depth noted is no check for the ruler: a sector fades before it ends.
        note = recorded.fault or (_against_the_ruler(noted, recorded) if clip.mm_per_px is not None else None)
        return Scale(noted, "sidecar", note)
    ruler, tick_mm = recorded.ruler, recorded.tick_mm
    if ruler is None:
        return Scale(None, "unknown", recorded.fault)
    if tick_mm is None:
        untold = (
            f"the ticks of {_named(ruler)} are {ruler.spacing_px:.4g} px apart, and nobody said what one stands for"
        )
        return Scale(None, "unknown", recorded.fault or untold)
    read = f"from {_named(ruler)}, with ticks of {tick_mm:g} mm as the settings say"
    return Scale(tick_mm / ruler.spacing_px, "ruler", "; ".join(part for part in (recorded.fault, read) if part))


def _against_the_ruler(mm_per_px: float, recorded: RecordedScale) -> str | None:
    ruler = recorded.ruler
    if ruler is None:
        return None
    tick_mm = matching_tick_mm(ruler.spacing_px, mm_per_px, recorded.tick_mm)
    if tick_mm is not None:
        return f"consistent with {_named(ruler)}, ticks {tick_mm:g} mm apart"
    found_mm = ruler.spacing_px * mm_per_px
    expected = "which no ruler has" if recorded.tick_mm is None else f"the settings say {recorded.tick_mm:g}"
    return f"the ticks of {_named(ruler)} would be {found_mm:.3g} mm apart, {expected}; check the scale"


def _named(ruler: Ruler) -> str:
    return f"the ruler on the screen (confidence {ruler.confidence:.2f})"
