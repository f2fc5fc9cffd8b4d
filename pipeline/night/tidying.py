"""What may go to free space: only what can be computed again, or is a copy. Never results, nor what people said.

Found first, and removed only then, so that a person can look at the list before.
"""

from __future__ import annotations

import datetime as dt
import shutil
from collections.abc import Iterator
from contextlib import closing
from dataclasses import dataclass, field
from pathlib import Path

from pipeline.night.log_file import log_path
from pipeline.settings_tables import TidySettings
from pipeline.store.atomic_write import OutputError, write_trouble
from pipeline.store.dated_copies import AUTOMATIC, copies_folder, find_copies
from pipeline.store.seen_folders import SeenFolders
from pipeline.store.unused_scans import UnusedScans, find_unused_scans, remove_unused_scans

__all__ = ["Removable", "find_removable", "remove"]

PART_FILE_AGE = dt.timedelta(days=1)  # of files that a killed process left half written (common practice, no source)


@dataclass(frozen=True)
class Removable:
    """copies, logs, parts : paths with their sizes in bytes"""

    scans: UnusedScans
    copies: dict[Path, int] = field(default_factory=dict)
    logs: dict[Path, int] = field(default_factory=dict)
    parts: dict[Path, int] = field(default_factory=dict)

    @property
    def size_bytes(self) -> int:
        return self.scans.size_bytes + sum(sum(each.values()) for each in (self.copies, self.logs, self.parts))


def find_removable(out: Path, settings: TidySettings, now: dt.datetime) -> Removable:
    """Everything that the settings let go. now : UTC. Raises StoreError."""
    used_since = (now - dt.timedelta(days=settings.scan_days)).isoformat(timespec="seconds")
    with closing(SeenFolders(out, read_only=True)) as seen:
        clips = seen.clip_digests()
    return Removable(
        find_unused_scans(out, clips, used_since) if clips else UnusedScans((), 0),
        dict(_copies(out, settings)),
        dict(_older(log_path(out).parent, "night.log.*", now - dt.timedelta(days=settings.log_days))),
        dict(_older(out, "**/.*.part", now - PART_FILE_AGE)),
    )


def remove(out: Path, removable: Removable) -> None:
    """Remove what was found. Call it while holding the lock of the folder. Raises StoreError, OutputError."""
    for path in (*removable.copies, *removable.logs, *removable.parts):
        try:
            if path.is_dir():
                shutil.rmtree(path)
            else:
                path.unlink(missing_ok=True)
        except OSError as error:
            raise OutputError(f"{path} cannot be removed: {write_trouble(error)}") from error
    if removable.scans.numbers:
        remove_unused_scans(out, removable.scans)


def _copies(out: Path, settings: TidySettings) -> Iterator[tuple[Path, int]]:
    """The oldest automatic copies beyond the size; never one that was asked for, nor the newest of its kind."""
    copies = [copy for copy in find_copies(copies_folder(out)) if copy.reason in AUTOMATIC]
    newest = {copy.reason: copy.folder for copy in copies}
    left_bytes = settings.copies_gb * 1e9
    for copy in reversed(copies):
        size = sum(path.stat().st_size for path in copy.folder.iterdir())
        left_bytes -= size
        if left_bytes < 0 and copy.folder != newest[copy.reason]:
            yield copy.folder, size


def _older(folder: Path, pattern: str, moment: dt.datetime) -> Iterator[tuple[Path, int]]:
    """Files of a folder that last changed before a moment."""
    for path in folder.glob(pattern):
        stat = path.lstat()
        if stat.st_mtime < moment.timestamp():
            yield path, stat.st_size
