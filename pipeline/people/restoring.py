"""Puts a dated copy back in place of the people's file, of the store, or of both: of what the copy holds."""

from __future__ import annotations

import sqlite3
from collections.abc import Iterator, Sequence
from contextlib import closing, contextmanager
from dataclasses import dataclass
from pathlib import Path

from models.errors import ClutchlightError
from pipeline.people.chain import DamageError, Tip
from pipeline.people.dated_copies import chain_tip, copied_digests, copied_head, copy_files, verified_chain
from pipeline.people.earlier_files import create_from_earlier_files, find_earlier_files
from pipeline.people.file_locks import sole_use, write_lock
from pipeline.people.head_file import HeadFile
from pipeline.people.journal import Journal
from pipeline.people.schema import people_path
from pipeline.store.dated_copies import CopyError, copies_folder, copy_database, file_digest
from pipeline.store.output_database import database_of
from pipeline.store.schema_versions import DATABASE_ERRORS
from pipeline.store.sqlite_database import database_path

__all__ = ["RestoreError", "Restored", "restore"]


class RestoreError(ClutchlightError):
    """The copy was not restored, and nothing was changed. The text says why."""


@dataclass(frozen=True)
class Restored:
    """files : what was restored;  kept : where the former files are, if any

    tip : where the chain ends now, None if the people's file was not part of the copy
    """

    files: tuple[str, ...]
    tip: Tip | None
    kept: Path | None


def restore(out: Path, source: Path, *, discard_newer: bool = False) -> Restored:
    """Put a copy back. Call it while holding the lock of the output folder. Former files are kept beside the copies.

    A store of the copy is left out where the folder's own store is on a server.

    source : folder of a dated copy, also of one made before a migration; or a people's file, also the present one if
    only its head file is lost or damaged. What earlier versions kept elsewhere is put into a people's file at once
    discard_newer : also if the chain of the present file is sound and has entries that the copy lacks

    Raises RestoreError, LockedError if somebody is using the folder, JournalError, CopyError.
    """
    out.mkdir(parents=True, exist_ok=True)
    people, part = people_path(out), _part(out, people_path(out).name)
    with sole_use(out), write_lock(out):
        try:
            with _explained(source):
                names = _stage(source, out)
                tip = chain_tip(part) if people.name in names else None
                unmoved = [] if tip is None else find_earlier_files(out)
            if unmoved and not discard_newer:
                raise RestoreError(
                    f"{unmoved[0]}: holds what people said with an earlier version, which would be replaced. Give "
                    "--discard-newer to restore the copy all the same."
                )
            newer = None if tip is None else _newer_entries(people, part)
            if newer and not discard_newer:
                raise RestoreError(
                    f"{people}: its chain is sound and has {newer}, which would be lost. Give --discard-newer to "
                    "restore the copy all the same."
                )
            with _explained(out):
                if unmoved:  # they are emptied when the people's file is opened
                    copy_files(unmoved, copies_folder(out), "restore")
                kept = _keep_former(out, names)
                for name in names:
                    _part(out, name).replace(out / name)
                if tip is not None:
                    HeadFile(out).write(tip)
        finally:
            for name in (people.name, database_path(out).name):
                _part(out, name).unlink(missing_ok=True)
    if tip is None:
        return Restored(names, None, kept)
    with closing(Journal(out)) as journal, journal.writing() as writer:  # verified once more, as it will be read
        restored = writer.append("restore", {"from": source.name, "entries": tip.length})
    return Restored(names, restored.tip, kept)


def _stage(source: Path, out: Path) -> tuple[str, ...]:
    """Copy what will be restored into the output folder, under other names. Returns the right names.

    Raises RestoreError if there is nothing to restore; DamageError, OSError or sqlite3.Error.
    """
    people, store = people_path(out).name, database_path(out).name
    if source.is_file():
        copy_database(source, _part(out, people))
        return (people,)
    _check_copy(source)
    names = []
    if (source / people).is_file():
        copy_database(source / people, _part(out, people))
        names.append(people)
    elif find_earlier_files(source):
        create_from_earlier_files(source, _part(out, people))
        names.append(people)
    if (source / store).is_file() and database_of(out).files:
        copy_database(source / store, _part(out, store))
        names.append(store)
    if not names:
        raise RestoreError(f"{source}: holds no copy.")
    return tuple(names)


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


def _newer_entries(path: Path, staged: Path) -> str | None:
    """What the present file holds beyond the copy, in words; None if nothing, or if its chain is broken.

    What was said is compared, without times: an earlier version's answers get theirs when they are put into a file.
    """
    try:
        verified_chain(path)
        present = _said(path)
    except (DamageError, *DATABASE_ERRORS):
        return None
    copied = _said(staged)
    if present[: len(copied)] != copied:
        return "other entries" if present else None
    added = len(present) - len(copied)
    return f"{added} later entries" if added else None


def _said(path: Path) -> list[tuple[object, ...]]:
    with closing(sqlite3.connect(f"{path.absolute().as_uri()}?mode=ro", uri=True)) as connection:
        return connection.execute("SELECT kind, animal, date, body FROM entries ORDER BY number").fetchall()


def _check_copy(source: Path) -> None:
    """Raises DamageError if a file is not as it was copied, RestoreError if this is no copy."""
    if not source.is_dir():
        raise RestoreError(f"{source}: holds no copy.")
    digests = copied_digests(source)
    for name, digest in digests.items():
        if not (source / name).is_file() or digest != file_digest(source / name):
            raise DamageError(f"its {name} is not the file that was copied")
    tip = copied_head(source)
    if tip is not None and chain_tip(people_path(source)) != tip:
        raise DamageError("its chain does not end where it should")


@contextmanager
def _explained(path: Path) -> Iterator[None]:
    try:
        yield
    except DamageError as error:
        raise RestoreError(f"{path}: this copy is damaged: {error}. Try an earlier one.") from error
    except (OSError, *DATABASE_ERRORS) as error:
        raise RestoreError(f"{path}: cannot be read or written ({error}).") from error
