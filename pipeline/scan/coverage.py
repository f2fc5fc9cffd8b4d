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
    """How much of one clip of an exam could be used.

    Attributes
    ----------
    file
        The clip's name in its exam folder.
    window
        "left", "right", or None if unknown.
    status
        "done" or "refused".
    reason
        Why it was refused, or why only its first frames could be read; else None.
    frames
        How many frames were decoded.
    frames_used
        How many of them were usable.
    duplicate_locations
        Where the same recording is found in other exams, in words.
    quality
        Why the other frames were not usable.
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
    """Summarise how much of a clip could be used, for `pipeline.estimate_exam`.

    Parameters
    ----------
    scan
        Of one clip, used or refused.
    duplicate_locations
        Where the same recording is found in other exams, in words.

    Returns
    -------
    ClipCoverage
        Status, window and number of frames of the clip.

    Examples
    --------
    >>> from pathlib import Path
    >>> from pipeline.exams.exam import ExamClip
    >>> from pipeline.scan.clip_scan import refused_scan
    >>> clip = ExamClip(Path("left-1.mp4"), "left-1.mp4", "left", mm_per_px=None, depth_mm=None)
    >>> coverage = clip_coverage(refused_scan(clip, "", "the file is empty."))
    >>> coverage.status, coverage.reason, coverage.frames_used
    ('refused', 'the file is empty.', 0)
    """
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
