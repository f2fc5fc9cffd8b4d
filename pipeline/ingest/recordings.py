"""Which files are recordings, judged by their names' endings alone."""

from __future__ import annotations

from pathlib import PurePath

__all__ = ["STILL_ENDINGS", "VIDEO_ENDINGS", "is_recording", "is_still"]

VIDEO_ENDINGS = frozenset(
    {".avi", ".gif", ".m4v", ".mkv", ".mov", ".mp4", ".mpeg", ".mpg", ".webm", ".wmv"},
)
STILL_ENDINGS = frozenset({".bmp", ".jpeg", ".jpg", ".png", ".tif", ".tiff"})


def is_recording(name: str) -> bool:
    """True for names of videos and of still pictures."""
    return is_still(name) or PurePath(name).suffix.lower() in VIDEO_ENDINGS


def is_still(name: str) -> bool:
    """True for names of still pictures: clips of one frame."""
    return PurePath(name).suffix.lower() in STILL_ENDINGS
