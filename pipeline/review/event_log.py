"""The event log of answers: one SQLite file, to which rows are only ever added.

Within an exam answers are numbered 1, 2, 3, ... without a gap; the number is given inside the transaction that adds
the row, so of two people who answer at once one comes first, and none is lost. The file forbids by triggers that a row
of the past is changed or taken away.
"""

from __future__ import annotations

import datetime as dt
import json
import sqlite3
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import Any, NamedTuple

from models.errors import ClutchlightError
from pipeline.review.answers import ANSWER_ADAPTER, Answer

__all__ = ["Event", "EventContent", "EventLog", "EventLogError", "ExamKey", "LoggedEvent", "event_log_path"]

SCHEMA_VERSION = 1
WAIT_SECONDS = 30.0  # for other writers; each takes milliseconds

SCHEMA = """
CREATE TABLE censuses (
    identity INTEGER PRIMARY KEY, animal TEXT NOT NULL, date TEXT NOT NULL, fingerprint TEXT NOT NULL,
    document TEXT NOT NULL, UNIQUE (animal, date, fingerprint));
CREATE TABLE events (
    identity INTEGER PRIMARY KEY AUTOINCREMENT, animal TEXT NOT NULL, date TEXT NOT NULL, sequence INTEGER NOT NULL,
    at TEXT NOT NULL, person TEXT NOT NULL, request TEXT NOT NULL, census INTEGER NOT NULL REFERENCES censuses,
    answer TEXT NOT NULL, before TEXT NOT NULL, after TEXT NOT NULL,
    UNIQUE (animal, date, sequence), UNIQUE (animal, date, request));
CREATE TABLE people (
    name TEXT PRIMARY KEY, role TEXT NOT NULL, may TEXT NOT NULL, password TEXT NOT NULL);
CREATE TRIGGER events_stay BEFORE UPDATE ON events BEGIN SELECT RAISE(ABORT, 'answers are only ever added'); END;
CREATE TRIGGER events_remain BEFORE DELETE ON events BEGIN SELECT RAISE(ABORT, 'answers are only ever added'); END;
CREATE TRIGGER censuses_stay BEFORE UPDATE ON censuses BEGIN SELECT RAISE(ABORT, 'a census stays as it was'); END;
CREATE TRIGGER censuses_remain BEFORE DELETE ON censuses BEGIN SELECT RAISE(ABORT, 'a census stays as it was'); END;
"""


class EventLogError(ClutchlightError):
    """An event log that cannot be used; the text names it and says what to do."""


class ExamKey(NamedTuple):
    """date : ISO 8601"""

    animal: str
    date: str


@dataclass(frozen=True)
class EventContent:
    """An answer about to be kept. census : the number of the census it was given over

    request_id : what its sender calls it; the same one twice is one answer
    before, after : the eggs and figures that it changed, as JSON documents
    """

    person: str
    request_id: str
    snapshot_id: int
    answer: Answer
    before: dict[str, Any]
    after: dict[str, Any]


@dataclass(frozen=True)
class Event(EventContent):
    """A kept answer. sequence : from 1 within its exam;  at : UTC, ISO 8601"""

    sequence: int
    at: str


@dataclass(frozen=True)
class LoggedEvent:
    """identity : its place among all exams' events, rising."""

    identity: int
    exam: ExamKey
    event: Event


def event_log_path(out: Path) -> Path:
    return out / "reviews.sqlite"


class EventLog:
    """The event log of one output folder, made new where there is none; may be used from many threads.

    Every method raises EventLogError where the file cannot be read or written.
    """

    def __init__(self, out: Path) -> None:
        self.path = event_log_path(out)
        # While one connection stays open SQLite keeps its side files, which is dear to do for every answer.
        self._keeper = self._connect()
        with self._transaction() as rows:
            version = int(rows.execute("PRAGMA user_version").fetchone()[0])
            if version > SCHEMA_VERSION:
                raise EventLogError(
                    f"{self.path}: written by a newer version of Clutchlight (schema {version}; this version knows "
                    f"{SCHEMA_VERSION}). Install the newer version."
                )
            if version == 0:
                for statement in SCHEMA.split(";\nCREATE "):
                    rows.execute(
                        statement.strip() if statement.lstrip().startswith("CREATE") else f"CREATE {statement}"
                    )
                rows.execute(f"PRAGMA user_version = {SCHEMA_VERSION}")

    def close(self) -> None:
        self._keeper.close()

    def append(self, exam: ExamKey, request_id: str, decide: Callable[[tuple[Event, ...]], EventContent]) -> Event:
        """Add the entry that ``decide`` makes of the exam's events so far, with nothing coming between.

        What ``decide`` raises is passed on and nothing is kept. A request that was kept before is not kept twice: its
        event is the answer.
        """
        with self._transaction() as rows:
            events = _events(rows, exam)
            for event in events:
                if event.request_id == request_id:
                    return event
            entry = decide(events)
            sequence = len(events) + 1
            at = dt.datetime.now(dt.UTC).isoformat(timespec="milliseconds")
            rows.execute(
                "INSERT INTO events (animal, date, sequence, at, person, request, census, answer, before, after)"
                " VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?, ?)",
                (
                    *exam,
                    sequence,
                    at,
                    entry.person,
                    entry.request_id,
                    entry.snapshot_id,
                    entry.answer.model_dump_json(),
                    json.dumps(entry.before),
                    json.dumps(entry.after),
                ),
            )
        return Event(**vars(entry), sequence=sequence, at=at)

    def events(self, exam: ExamKey) -> tuple[Event, ...]:
        """All answers of one exam, in order."""
        with self._reading() as rows:
            return _events(rows, exam)

    def head(self, exam: ExamKey) -> int:
        """The sequence of the exam's last answer, 0 where there is none."""
        with self._reading() as rows:
            found = rows.execute("SELECT max(sequence) FROM events WHERE animal = ? AND date = ?", exam).fetchone()
            return int(found[0] or 0)

    def events_after(self, identity: int) -> Sequence[LoggedEvent]:
        """The answers of all exams after this one, in the order in which they came."""
        with self._reading() as rows:
            found = rows.execute(
                f"SELECT identity, animal, date, {COLUMNS} FROM events WHERE identity > ? ORDER BY identity",
                (identity,),
            )
            return [LoggedEvent(row[0], ExamKey(row[1], row[2]), _event(row[3:])) for row in found]

    def save_snapshot(self, exam: ExamKey, fingerprint: str, document: str) -> int:
        """The number of the exam's census over this result, kept now if it was not before."""
        with self._transaction() as rows:
            rows.execute(
                "INSERT OR IGNORE INTO censuses (animal, date, fingerprint, document) VALUES (?, ?, ?, ?)",
                (*exam, fingerprint, document),
            )
            found = rows.execute(
                "SELECT identity FROM censuses WHERE animal = ? AND date = ? AND fingerprint = ?", (*exam, fingerprint)
            )
            return int(found.fetchone()[0])

    def snapshots(self, exam: ExamKey) -> dict[int, str]:
        """The documents of all censuses of an exam, by number."""
        with self._reading() as rows:
            return dict(rows.execute("SELECT identity, document FROM censuses WHERE animal = ? AND date = ?", exam))

    def users(self) -> list[tuple[str, str, str, str]]:
        """Name, role, right and password's hash of all who may log in."""
        with self._reading() as rows:
            return list(rows.execute("SELECT name, role, may, password FROM people ORDER BY name"))

    def save_user(self, name: str, role: str, may: str, password: str) -> None:
        """Let a person log in, or change how. password : its hash"""
        with self._transaction() as rows:
            rows.execute("INSERT OR REPLACE INTO people VALUES (?, ?, ?, ?)", (name, role, may, password))

    def remove_user(self, name: str) -> bool:
        """Whether there was one; what a person said stays."""
        with self._transaction() as rows:
            return rows.execute("DELETE FROM people WHERE name = ?", (name,)).rowcount > 0

    def _connect(self) -> sqlite3.Connection:
        with self._explained("opened"):
            connection = sqlite3.connect(self.path, timeout=WAIT_SECONDS, isolation_level=None, check_same_thread=False)
            for pragma in ("journal_mode=WAL", "synchronous=FULL", "foreign_keys=ON"):
                connection.execute(f"PRAGMA {pragma}")
            return connection

    @contextmanager
    def _reading(self) -> Iterator[sqlite3.Connection]:
        connection = self._connect()
        try:
            with self._explained("read"):
                yield connection
        finally:
            connection.close()

    @contextmanager
    def _transaction(self) -> Iterator[sqlite3.Connection]:
        connection = self._connect()
        try:
            with self._explained("written"):
                connection.execute("BEGIN IMMEDIATE")
                try:
                    yield connection
                except BaseException:
                    connection.execute("ROLLBACK")
                    raise
                connection.execute("COMMIT")
        finally:
            connection.close()

    @contextmanager
    def _explained(self, done: str) -> Iterator[None]:
        try:
            yield
        except sqlite3.Error as error:
            raise EventLogError(
                f"{self.path}: the reviews could not be {done} ({error}). Nothing was lost of what is there already; "
                "see that the disk has room and the file can be written, and keep the file."
            ) from error


COLUMNS = "sequence, at, person, request, census, answer, before, after"


def _events(rows: sqlite3.Connection, exam: ExamKey) -> tuple[Event, ...]:
    found = rows.execute(f"SELECT {COLUMNS} FROM events WHERE animal = ? AND date = ? ORDER BY sequence", exam)
    return tuple(_event(row) for row in found)


def _event(row: Sequence[Any]) -> Event:
    sequence, at, person, request, census, answer, before, after = row
    entry = EventContent(
        person, request, census, ANSWER_ADAPTER.validate_json(answer), json.loads(before), json.loads(after)
    )
    return Event(**vars(entry), sequence=sequence, at=at)
