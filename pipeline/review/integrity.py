"""Whether an output folder is as it was written: people's file, store, sheets, and these against each other.

Nothing is changed, and others may go on reading and writing.
"""

from __future__ import annotations

import json
from collections.abc import Iterator
from contextlib import closing
from dataclasses import asdict, dataclass
from pathlib import Path
from typing import Any

from sqlalchemy import text

from pipeline.people.chain import JournalError
from pipeline.people.dated_copies import copied_head
from pipeline.people.event_log import EventLog, ExamKey
from pipeline.people.journal import Journal
from pipeline.people.loss import SIGNED_FILES
from pipeline.people.schema import people_path
from pipeline.people.signatures import current_signatures
from pipeline.people.users import Users
from pipeline.review.shown_signature import show_the_same, shown_signature, unknown_signature
from pipeline.store.damaged_rows import check_rows
from pipeline.store.database import Database
from pipeline.store.dated_copies import copies_folder, find_copies
from pipeline.store.output_database import database_of
from pipeline.store.schema import SCHEMA_VERSION, StoreError
from pipeline.store.sqlite_database import find_sqlite_damage

__all__ = ["FolderCheck", "check_folder"]


@dataclass(frozen=True)
class FolderCheck:
    """problems : a sentence each, none if all is well

    entries, head : length and last hash of the journal, None if it cannot be read;  signed : exams that are signed now
    """

    problems: tuple[str, ...]
    entries: int | None = None
    head: str | None = None
    signed: int = 0

    def document(self) -> dict[str, Any]:
        return asdict(self)


def check_folder(out: Path) -> FolderCheck:
    """Check the output folder of a batch."""
    exams, problems = _check_store(out)
    try:
        with closing(Journal(out, create=False)) as journal:
            problems += find_sqlite_damage(people_path(out))
            event_log = EventLog(journal)
            Users(journal).list_users()
            problems += [*_answer_problems(event_log), *_copy_problems(out, journal)]
            problems += _signed_file_problems(out, event_log, exams)
            tip, signed = journal.tip, len(current_signatures(event_log))
    except JournalError as error:
        return FolderCheck((*problems, str(error)))
    return FolderCheck(tuple(problems), tip.length, tip.digest, signed)


def _check_store(out: Path) -> tuple[dict[str, ExamKey], list[str]]:
    """The exams by folder, and what is wrong with the store and the files that it names."""
    exams, problems = dict[str, ExamKey](), list[str]()
    try:
        database = database_of(out)
        problems += database.find_damage()
        if not database.path.is_file() or database.path.stat().st_size == 0:
            return exams, problems
        version = database.version()
        if version > SCHEMA_VERSION:
            return exams, [f"{database.name}: written by a newer version of Clutchlight. Install that version."]
        if version == SCHEMA_VERSION:  # earlier ones had no hashes
            problems += check_rows(database)
        for animal, date, files in _exam_files(database):
            named = [out / file for file in json.loads(files)]
            exams |= {path.parent.relative_to(out).as_posix(): ExamKey(animal, date) for path in named}
            problems += [
                f"{file}: missing. Run the batch again: it is written again."
                for file in named
                if not file.is_file() and not file.name.startswith("signed.")
            ]
    except StoreError as error:
        problems.append(str(error))
    except (ValueError, TypeError) as error:
        problems.append(f"{out}: the files of the store's exams cannot be read ({error}). Run the batch again.")
    return exams, problems


def _exam_files(database: Database) -> list[tuple[str, str, str]]:
    """Animal, date and files of all exams, also of a store of an earlier version. Raises StoreError."""
    engine = database.connect(read_only=True)
    try:
        with database.explained("read"), engine.connect() as connection:
            rows = connection.execute(text("SELECT animal, date, files FROM exams ORDER BY animal, date"))
            return [(animal, date, files) for animal, date, files in rows]
    finally:
        engine.dispose()


def _answer_problems(event_log: EventLog) -> Iterator[str]:
    """Answers whose numbers have gaps, or that refer to a snapshot that is not there."""
    heads: dict[ExamKey, int] = {}
    snapshots: dict[ExamKey, set[int]] = {}
    for exam, event in ((logged.exam, logged.event) for logged in event_log.events_after(0)):
        if event.sequence != heads.get(exam, 0) + 1:
            yield f"{exam.animal}, {exam.date}: entry {event.entry} is answer {event.sequence}, out of order."
        heads[exam] = event.sequence
        if exam not in snapshots:
            snapshots[exam] = set(event_log.snapshots(exam))
        if event.snapshot_id not in snapshots[exam]:
            yield f"{exam.animal}, {exam.date}: entry {event.entry} refers to a snapshot that is not there."


def _copy_problems(out: Path, journal: Journal) -> Iterator[str]:
    """Copies that hold what the people's file lacks: an older file may be in its place."""
    with journal.reading() as reader:
        restored = reader.entries("restore")
        since = restored[-1].at if restored else ""
        for copy in find_copies(copies_folder(out)):
            tip = copied_head(copy.folder)
            if tip is not None and copy.made.isoformat() > since and not reader.holds(tip):
                yield f"{people_path(out)}: lacks entries of its copy {copy.folder}, or has others in their place."


def _signed_file_problems(out: Path, event_log: EventLog, exams: dict[str, ExamKey]) -> Iterator[str]:
    """Signed sheets that do not show what the journal says."""
    signed = current_signatures(event_log)
    by_exam = {exam: folder for folder, exam in exams.items()}
    shown_in = {path.parent.relative_to(out).as_posix() for pattern in SIGNED_FILES for path in out.glob(pattern)}
    for folder in sorted(shown_in | {by_exam[exam] for exam in signed if exam in by_exam}):
        exam, shown = exams.get(folder), shown_signature(out / folder)
        if exam is None:
            yield f"{out / folder}: signed, but the store holds no such exam. Run the batch over its recordings again."
            continue
        unknown = None if shown is None else unknown_signature(shown, exam, event_log)
        if unknown is not None:
            yield f"{out / folder}: its files say that {unknown} signed it, which the journal does not hold."
        elif not show_the_same(signed.get(exam), shown):
            yield f"{out / folder}: its signed sheet is not what the journal says. The next batch writes it anew."
