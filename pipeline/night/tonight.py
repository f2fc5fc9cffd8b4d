"""What the next night will find: exams that are new or have changed, or are gone. No recording is opened."""

from __future__ import annotations

from contextlib import closing
from dataclasses import dataclass
from pathlib import Path

from pipeline.exams.folder_state import date_of_name, folder_state
from pipeline.locations.location import entry_location, list_folder, location
from pipeline.night.night_record import NightRecord
from pipeline.store.seen_folders import SeenFolders

__all__ = ["Tonight", "find_tonight"]


@dataclass(frozen=True)
class Tonight:
    """new, changed : exam folders, by their dates as names;  gone : exams whose folder is no longer there

    retried : exams that the last night left for another look, such as those with a refused clip
    """

    new: int
    changed: int
    retried: int
    gone: int


def find_tonight(out: Path, night: NightRecord) -> Tonight | None:
    """Compare the recordings' folder of the last night with what was remembered; None if it cannot be reached.

    Folders that are not named by a date are only seen by the night itself.
    """
    root = location(night.root)
    new = changed = retried = 0
    with closing(SeenFolders(out, read_only=True)) as seen:
        missing = set(seen.folders())
        waiting = [root]
        while waiting:
            above = waiting.pop()
            try:
                listed = list_folder(above)
            except OSError:
                if above == root:
                    return None
                continue
            for entry in listed:
                if not entry.is_dir() or entry.is_symlink():
                    continue
                if date_of_name(entry.name) is None:
                    waiting.append(entry_location(entry))
                    continue
                folder = f"{above}/{entry.name}"
                place = folder.removeprefix(f"{root}/")
                missing.discard(place)
                exam = seen.exam(place)
                if exam is None:
                    new += 1
                elif not exam.state:
                    retried += 1
                elif exam.state != folder_state(folder):
                    changed += 1
        try:
            gone = sum(not (root / place).is_dir() for place in missing)
        except OSError:
            return None
    return Tonight(new, changed, retried, gone)
