"""What the next night will find: exams that are new or have changed, or are gone. No recording is opened."""

from __future__ import annotations

import os
from contextlib import closing
from dataclasses import dataclass
from pathlib import Path

from pipeline.exams.folder_state import date_of_name, folder_state
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
    root = Path(night.root)
    if not root.is_dir():
        return None
    new = changed = retried = 0
    with closing(SeenFolders(out, read_only=True)) as seen:
        missing = set(seen.folders())
        for name, inner, _ in os.walk(root):
            for child in [child for child in inner if date_of_name(child) is not None]:
                folder = f"{name}/{child}"
                inner.remove(child)
                place = folder.removeprefix(f"{root}/")
                missing.discard(place)
                exam = seen.exam(place)
                if exam is None:
                    new += 1
                elif not exam.state:
                    retried += 1
                elif exam.state != folder_state(folder):
                    changed += 1
        gone = sum(not (root / place).is_dir() for place in missing)
    return Tonight(new, changed, retried, gone)
