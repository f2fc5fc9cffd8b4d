"""Puts a dated copy back in place of the people's file and, if the copy holds it, of the store."""

from __future__ import annotations

import sqlite3
from collections.abc import Iterator
from contextlib import closing, contextmanager
from dataclasses import dataclass
from pathlib import Path

from models.errors import ClutchlightError
from pipeline.people.chain import DamageError, JournalError, Tip
from pipeline.people.dated_copies import (
    chain_tip,
    copied_digests,
    copied_head,
    copies_folder,
    copy_database,
    copy_files,
    file_digest,
)
from pipeline.people.file_locks import sole_use, write_lock
from pipeline.people.head_file import HeadFile
from pipeline.people.journal import Journal
from pipeline.people.schema import people_path
from pipeline.store.schema import database_path

__all__ = ["RestoreError", "Restored", "restore"]


class RestoreError(ClutchlightError):
    """The copy was not restored, and nothing was changed. The text says why."""


@dataclass(frozen=True)
class Restored:
    """files : what was restored;  tip : where the chain ends now;  kept : where the former files are, if any"""

    files: tuple[str, ...]
    tip: Tip
    kept: Path | None


def restore(out: Path, source: Path, *, discard_newer: bool = False) -> Restored:
    """Put a copy back. Call it while holding the lock of the output folder. Former files are kept beside the copies.

    source : folder of a dated copy
    discard_newer : also if the people's file can be read and holds entries that the copy lacks

    Raises RestoreError, LockedError if somebody is using the folder, JournalError.
    """
    names = [path.name for path in (people_path(out), database_path(out)) if (source / path.name).is_file()]
    if people_path(out).name not in names:
        raise RestoreError(f"{source}: holds no copy of {people_path(out).name}.")
    with _explained(source):
        _check_digests(source, names)
        tip = chain_tip(source / people_path(out).name)
        if tip.length and copied_head(source) != tip:
            raise DamageError("its chain does not end where it should")
    newer = _newer_entries(out, tip)
    if newer and not discard_newer:
        raise RestoreError(
            f"{people_path(out)} is sound and {newer}, which would be lost. Give --discard-newer to restore it "
            "all the same."
        )
    out.mkdir(parents=True, exist_ok=True)
    head = HeadFile(out)
    with sole_use(out), write_lock(out), _explained(out):
        kept = _keep_former(out, names)
        for name in names:
            part = out / f".{name}.restored"
            copy_database(source / name, part)
            part.replace(out / name)
        head.write(tip)
    with closing(Journal(out)) as journal, journal.writing() as writer:  # verified once more, as it will be read
        restored = writer.append("restore", {"from": source.name, "entries": tip.length})
    return Restored(tuple(names), restored.tip, kept)


def _keep_former(out: Path, names: list[str]) -> Path | None:
    """Copy the present files and remove them. Damaged ones are moved as they are, with SQLite's side files."""
    sources = [out / name for name in names if (out / name).exists()]
    side_files = [path.with_name(path.name + end) for path in sources for end in ("-wal", "-shm")]
    former = [path for path in (*side_files, *sources) if path.exists()]
    if not former:
        return None
    try:
        folder = copy_files(sources, copies_folder(out), "restore").folder
    except JournalError:
        folder = copy_files((), copies_folder(out), "restore").folder
        for path in former:
            path.rename(folder / path.name)
        return folder
    for path in former:
        path.unlink()
    return folder


def _newer_entries(out: Path, tip: Tip) -> str | None:
    """What the present file holds beyond the copy, in words; None if nothing, or if it cannot be read."""
    if not people_path(out).exists():
        return None
    try:
        with closing(Journal(out, create=False)) as journal, journal.reading() as reader:
            if reader.holds(tip):
                added = reader.tip.length - tip.length
                return f"holds {added} later entries" if added else None
            return "holds other entries"
    except JournalError:
        return None


def _check_digests(source: Path, names: list[str]) -> None:
    """Raises DamageError if a file is not as it was copied."""
    digests = copied_digests(source)
    for name in names:
        if digests.get(name) != file_digest(source / name):
            raise DamageError(f"its {name} is not the file that was copied")


@contextmanager
def _explained(path: Path) -> Iterator[None]:
    try:
        yield
    except DamageError as error:
        raise RestoreError(f"{path}: this copy is damaged: {error}. Try an earlier one.") from error
    except (sqlite3.Error, OSError) as error:
        raise RestoreError(f"{path}: cannot be read or written ({error}).") from error
