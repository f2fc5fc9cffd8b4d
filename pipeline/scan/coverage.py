"""How well an animal was scanned: what the estimate needs to know about every clip, used or refused."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from typing import Literal

from pipeline.ingest.quality.clip_quality import ClipQuality
from pipeline.scan.clip_scan import ClipScan

__all__ = ["ClipCoverage", "clip_coverage", "swept_windows", "usable_clips"]


@dataclass(frozen=True)
class ClipCoverage:
    """One clip of the exam. window : "left", "right" or None;  reason : why it was refused

    frames : how many were decoded;  frames_used : how many were usable;  quality : why the others were not
    duplicate_locations : where the same recording is found in other exams, in words
    """

    file: str
    window: str | None
    status: Literal["done", "refused"]
    reason: str | None
    frames: int
    frames_used: int
    duplicate_locations: tuple[str, ...] = ()
    quality: ClipQuality = field(default_factory=ClipQuality)


def clip_coverage(scan: ClipScan, duplicate_locations: tuple[str, ...] = ()) -> ClipCoverage:
    """The coverage of one scan. duplicate_locations : where the same recording is found in other exams, in words"""
    return ClipCoverage(
        file=scan.file,
        window=scan.window,
        status=scan.status,
        reason=scan.reason,
        frames=scan.frames,
        frames_used=len(scan.used_frames),
        duplicate_locations=duplicate_locations,
        quality=scan.quality,
    )


def usable_clips(coverage: Sequence[ClipCoverage]) -> tuple[ClipCoverage, ...]:
    """The clips with at least one usable frame, whether or not eggs were found in them."""
    return tuple(clip for clip in coverage if clip.status == "done" and clip.frames_used > 0)


def swept_windows(coverage: Sequence[ClipCoverage]) -> frozenset[str]:
    """The windows with a usable clip; a clip of unknown window adds none."""
    return frozenset(clip.window for clip in usable_clips(coverage) if clip.window is not None)
