"""A missing or empty people's file: a new folder, an earlier version's files, or a loss that must be noticed."""

from __future__ import annotations

from pathlib import Path

from pipeline.people.chain import EMPTY_CHAIN, DamageError, JournalError
from pipeline.people.dated_copies import copy_files, newest_copy
from pipeline.people.earlier_files import (
    find_earlier_files,
    has_earlier_reviews,
    move_from_earlier_files,
    remove_moved,
)
from pipeline.people.head_file import HeadFile
from pipeline.people.schema import create_database, is_outdated, people_path, upgrade_database
from pipeline.store.dated_copies import copies_folder
from pipeline.store.schema_versions import DATABASE_ERRORS

__all__ = ["SIGNED_FILES", "prepare_people_file"]

SIGNED_FILES = ("*/*/signed.json", "*/*/signed.html", "*/*/signed.pdf")


def prepare_people_file(out: Path, head: HeadFile, *, create: bool) -> None:
    """Create the people's file if there is none and none can have been lost; bring an earlier version's to this one.

    Call it while holding the write lock. Raises DamageError if people have said something in this folder and the
    file is missing or empty, or if it is missing and must not be made now; CopyError.
    """
    path = people_path(out)
    if path.exists() and path.stat().st_size > 0:
        if create:
            remove_moved(out)  # a move may have been killed before its end
            if is_outdated(path):
                copy_files([path], copies_folder(out), "migration")
                upgrade_database(path)
        return
    trace = _trace_of_words(out, head)
    if trace is not None:
        state = "is empty" if path.exists() else "is missing"
        newest = newest_copy(out)
        raise DamageError(f"{state}, although {trace}" + (f"; the newest copy is {newest}" if newest else ""))
    if not create:
        raise DamageError("is missing; any other command makes it")
    try:
        if find_earlier_files(out):
            move_from_earlier_files(out, head)
            return
        head.write(EMPTY_CHAIN)  # before the file itself: a file without a head counts as damaged
        create_database(path, (), ())
    except (OSError, *DATABASE_ERRORS) as error:
        raise JournalError(
            f"{path}: cannot be created ({error}). Make the folder writable, or free some space."
        ) from error


def _trace_of_words(out: Path, head: HeadFile) -> str | None:
    """What shows that people have said something in this folder, None if nothing does."""
    tips = head.read()
    if any(tip.length for tip in tips):
        return f"{head.path.name} states {tips[-1].length} entries"
    if newest_copy(out):
        return "copies of it were made"
    if has_earlier_reviews(out):
        return None
    signed = next((path for pattern in SIGNED_FILES for path in out.glob(pattern)), None)
    if signed is not None:
        return f"exams are signed, such as {signed.parent.relative_to(out)}"
    return None
