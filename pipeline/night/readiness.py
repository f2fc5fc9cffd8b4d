"""Whether a night may begin: free space and a plausible clock, checked before anything is written."""

from __future__ import annotations

import datetime as dt
import os
from dataclasses import dataclass
from pathlib import Path

from models.errors import ClutchlightError
from pipeline.night.night_record import read_night
from pipeline.settings_tables import NightSettings

__all__ = ["FreeSpace", "NotReadyError", "check_readiness", "free_space"]

GB = 1e9
EARLIEST = dt.datetime(2026, 1, 1, tzinfo=dt.UTC)  # before this program existed; a clock without power starts at 1970


class NotReadyError(ClutchlightError):
    """The night must not begin. The text says why and what to do."""


@dataclass(frozen=True)
class FreeSpace:
    """Of the disk that holds a folder, for its user. free_gb : 10^9 bytes;  free_files : None if there is no limit"""

    free_gb: float
    free_files: int | None


def free_space(folder: Path) -> FreeSpace:
    """Of a folder that exists, or of the nearest folder above it that does. Raises OSError."""
    existing = next(path for path in (folder, *folder.absolute().parents) if path.exists())
    disk = os.statvfs(existing)
    return FreeSpace(disk.f_bavail * disk.f_frsize / GB, disk.f_favail if disk.f_files else None)


def check_readiness(out: Path, settings: NightSettings, now: dt.datetime) -> None:
    """Raises NotReadyError if the disk of the results is too full, or the clock is behind. now : UTC"""
    reason = space_reason(out, settings) or clock_reason(out, settings, now)
    if reason is not None:
        raise NotReadyError(reason)


def space_reason(out: Path, settings: NightSettings) -> str | None:
    """Why there is too little space, a sentence; None if there is enough."""
    try:
        space = free_space(out)
    except OSError as error:
        return f"{out}: the disk does not answer ({error.strerror}). Check that it is connected."
    if space.free_gb < settings.minimum_free_gb:
        return (
            f"{out}: {space.free_gb:.1f} GB are free on this disk, and a night needs {settings.minimum_free_gb:g} GB "
            "([night] minimum_free_gb in the settings). Free some space: clutchlight tidy says what may go."
        )
    if space.free_files is not None and space.free_files < settings.minimum_free_files:
        return (
            f"{out}: this disk has room for {space.free_files:,} more files, and a night needs "
            f"{settings.minimum_free_files:,} ([night] minimum_free_files). Remove files that nobody needs."
        )
    return None


def clock_reason(out: Path, settings: NightSettings, now: dt.datetime) -> str | None:
    """Why the clock must be wrong, a sentence; None if nothing shows that it is."""
    advice = "Set the clock (timedatectl), since dates of signatures and copies come from it."
    shown = f"The clock says {now:%Y-%m-%d %H:%M} UTC"
    if now < EARLIEST:
        return f"{shown}, when this program did not exist. {advice}"
    last = read_night(out)
    if last is None:
        return None
    # The record's beginning may be later than now only if one of the two clocks was wrong.
    started = dt.datetime.fromisoformat(last.started)
    if started - now > dt.timedelta(hours=settings.clock_tolerance_hours):
        return (
            f"{shown}, but the last night began at {started:%Y-%m-%d %H:%M} UTC. {advice} If the last night's clock "
            f"was the wrong one, remove {out / 'night.json'}."
        )
    return None
