"""The folders that may be exams: every folder under a root is listed once, and what is known is not looked into.

Inside an exam folder, a folder that holds only stills is one clip.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator
from dataclasses import dataclass

from models.printable import is_printable, printable
from pipeline.exams.folder_state import KnownExam, date_of_name
from pipeline.ingest.file_types import is_recording, is_still
from pipeline.locations.location import Entry, Location, entry_location, is_within, list_folder
from pipeline.locations.storage_errors import StorageError

__all__ = ["FoundFolder", "Recall", "Report", "find_folders", "is_folder", "unreadable_reason"]

Recall = Callable[[str], KnownExam | None]
"""Gives the exam of a folder that is unchanged since it was processed, None for all others."""

Report = Callable[[Location, str], None]
"""Takes a folder that cannot be processed, and a sentence that names it and says what to do."""


@dataclass(frozen=True)
class FoundFolder:
    """A folder that may be an exam.

    entries : by name, sorted, without hidden ones
    recordings : names of the files and folders in it that are clips;  clip_folders : of the folders among them
    """

    location: Location
    entries: dict[str, Entry]
    recordings: tuple[str, ...]
    clip_folders: frozenset[str]

    @classmethod
    def of(cls, folder: Location, listed: Iterable[Entry]) -> FoundFolder:
        """Raises StorageError: an exam without a recording that was only out of reach would count as complete."""
        entries = {entry.name: entry for entry in sorted(listed, key=lambda entry: entry.name) if entry.name[0] != "."}
        files = {
            name for name, entry in entries.items() if not is_folder(entry) and is_recording(entry_location(entry))
        }
        may_hold_clip_folders = date_of_name(folder.name) is not None or "exam.toml" in entries or files
        clip_folders = filter(_is_clip_folder, entries.values()) if may_hold_clip_folders else ()
        names = frozenset(entry.name for entry in clip_folders)
        return cls(folder, entries, tuple(sorted(files | names)), names)


def find_folders(root: Location, recall: Recall, known: list[KnownExam], report: Report) -> Iterator[FoundFolder]:
    """The folders that may be exams. Exams that ``recall`` knows are added to ``known`` instead."""
    waiting = [root]
    while waiting:
        folder = waiting.pop()
        try:
            listed = list_folder(folder)
        except OSError as error:
            report(folder, unreadable_reason(folder, error))
            continue
        remembered = set()
        for entry in listed:
            is_dated = date_of_name(entry.name) is not None and is_folder(entry)
            exam = recall(f"{folder}/{entry.name}") if is_dated else None
            if exam is not None:
                known.append(exam)
                remembered.add(entry.name)
        if listed and len(remembered) == len(listed):
            continue
        try:
            found = FoundFolder.of(folder, listed)
        except StorageError as error:
            report(folder, unreadable_reason(folder, error))
            continue
        for name, entry in found.entries.items():
            path = entry_location(entry)
            if not is_folder(entry) or name in remembered or name in found.clip_folders:
                continue
            if entry.is_symlink():
                if not is_within(path.resolve(), root):
                    reason = f"{printable(path)}: a link that leads out of {printable(root)}; copy the folder instead."
                    report(path, reason)
            elif not is_printable(name):
                reason = f"{printable(path)}: the folder's name holds control or invisible characters; rename it."
                report(path, reason)
            else:
                waiting.append(path)
        yield found


def unreadable_reason(folder: Location, error: OSError) -> str:
    return f"{printable(folder)}: folder cannot be read: {error.strerror}."


def is_folder(entry: Entry) -> bool:
    try:
        return entry.is_dir()
    except OSError:  # a link that leads nowhere
        return False


def _is_clip_folder(entry: Entry) -> bool:
    """Whether an entry of an exam folder is one clip: a folder that holds no recordings but stills, and no folders."""
    is_plain = is_folder(entry) and not entry.is_symlink() and is_printable(entry.name)
    if not is_plain or date_of_name(entry.name) is not None:
        return False
    try:
        inside = [each for each in list_folder(entry_location(entry)) if not each.name.startswith(".")]
    except StorageError:
        raise
    except OSError:
        return False  # reported by find_folders
    return any(is_still(each.name) for each in inside) and not any(map(_belongs_to_an_exam, inside))


def _belongs_to_an_exam(entry: Entry) -> bool:
    """Whether a folder that holds this is an exam, or holds exams, rather than a clip."""
    is_other_recording = not is_still(entry.name) and is_recording(entry_location(entry))
    return entry.name == "exam.toml" or is_other_recording or is_folder(entry)
