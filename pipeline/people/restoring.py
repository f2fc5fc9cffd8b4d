"""Puts a dated copy back in place of the people's file and, if the copy holds it, of the store."""

from __future__ import annotations

import sqlite3
from collections.abc import Iterator, Sequence
from contextlib import closing, contextmanager
from dataclasses import dataclass
from pathlib import Path

from models.errors import ClutchlightError
from pipeline.people.chain import DamageError, Tip
from pipeline.people.dated_copies import chain_tip, copied_digests, copied_head, copy_files, verified_chain
from pipeline.people.file_locks import sole_use, write_lock
from pipeline.people.head_file import HeadFile
from pipeline.people.journal import Journal
from pipeline.people.schema import people_path
from pipeline.store.dated_copies import CopyError, copies_folder, copy_database, file_digest
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

    source : folder of a dated copy; or a people's file, also the present one if only its head file is lost or damaged
    discard_newer : also if the chain of the present file is sound and has entries that the copy lacks

    Raises RestoreError, LockedError if somebody is using the folder, JournalError.
    """
    targets = (people_path(out), database_path(out))
    sources = {targets[0].name: source} if source.is_file() else {path.name: source / path.name for path in targets}
    sources = {name: path for name, path in sources.items() if path.is_file()}
    names = tuple(sources)
    if people_path(out).name not in sources:
        raise RestoreError(f"{source}: holds no copy of {people_path(out).name}.")
    with _explained(source):
        tip = chain_tip(sources[people_path(out).name])
        if source.is_dir():
            _check_copy(source, names, tip)
    newer = _newer_entries(people_path(out), tip)
    if newer and not discard_newer:
        raise RestoreError(
            f"{people_path(out)}: its chain is sound and has {newer}, which would be lost. Give --discard-newer to "
            "restore the copy all the same."
        )
    out.mkdir(parents=True, exist_ok=True)
    with sole_use(out), write_lock(out), _explained(out):
        for name, path in sources.items():
            copy_database(path, _part(out, name))
        kept = _keep_former(out, names)
        for name in names:
            _part(out, name).replace(out / name)
        HeadFile(out).write(tip)
    with closing(Journal(out)) as journal, journal.writing() as writer:  # verified once more, as it will be read
        restored = writer.append("restore", {"from": source.name, "entries": tip.length})
    return Restored(names, restored.tip, kept)


def _part(out: Path, name: str) -> Path:
    return out / f".{name}.restored"


def _keep_former(out: Path, names: Sequence[str]) -> Path | None:
    """Copy the present files and remove them. Damaged ones are moved as they are, with SQLite's side files."""
    sources = [out / name for name in names if (out / name).exists()]
    side_files = [path.with_name(path.name + end) for path in sources for end in ("-wal", "-shm")]
    former = [path for path in (*side_files, *sources) if path.exists()]
    if not former:
        return None
    try:
        folder = copy_files(sources, copies_folder(out), "restore").folder
    except CopyError:
        folder = copy_files((), copies_folder(out), "restore").folder
        for path in former:
            path.rename(folder / path.name)
        return folder
    for path in former:
        path.unlink()
    return folder


def _newer_entries(path: Path, tip: Tip) -> str | None:
    """What the present file holds beyond the copy, in words; None if nothing, or if its chain is broken."""
    try:
        present = verified_chain(path)
    except (DamageError, sqlite3.Error):
        return None
    if not present.holds(tip):
        return "other entries" if present.tip.length else None
    added = present.tip.length - tip.length
    return f"{added} later entries" if added else None


def _check_copy(source: Path, names: Sequence[str], tip: Tip) -> None:
    """Raises DamageError if a file is not as it was copied. tip : of the copy's chain"""
    if tip.length and copied_head(source) != tip:
        raise DamageError("its chain does not end where it should")
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
