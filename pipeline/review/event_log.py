"""The event log of answers: one SQLite file to which rows are only added.

The answers of an exam are numbered 1, 2, 3, ... without gaps. The number is assigned inside the transaction that adds
the row, so if two people answer at once, one comes first and neither answer is lost. Triggers in the file reject every
change and every deletion of an earlier row.
"""

from __future__ import annotations

import datetime as dt
import json
import sqlite3
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import Any, NamedTuple

from models.errors import ClutchlightError
from pipeline.review.answers import ANSWER_ADAPTER, Answer

__all__ = [
    "Event",
    "EventContent",
    "EventLog",
    "EventLogError",
    "EventTransaction",
    "ExamKey",
    "LoggedEvent",
    "UserRow",
    "event_log_path",
]

SCHEMA_VERSION = 1
LOCK_TIMEOUT_S = 30.0  # wait for other writers; each takes milliseconds

SCHEMA = (
    """CREATE TABLE censuses (
    identity INTEGER PRIMARY KEY, animal TEXT NOT NULL, date TEXT NOT NULL, fingerprint TEXT NOT NULL,
    document TEXT NOT NULL, UNIQUE (animal, date, fingerprint))""",
    """CREATE TABLE events (
    identity INTEGER PRIMARY KEY AUTOINCREMENT, animal TEXT NOT NULL, date TEXT NOT NULL, sequence INTEGER NOT NULL,
    at TEXT NOT NULL, person TEXT NOT NULL, request TEXT NOT NULL, census INTEGER NOT NULL REFERENCES censuses,
    answer TEXT NOT NULL, before TEXT NOT NULL, after TEXT NOT NULL,
    UNIQUE (animal, date, sequence), UNIQUE (animal, date, request))""",
    "CREATE TABLE people (name TEXT PRIMARY KEY, role TEXT NOT NULL, may TEXT NOT NULL, password TEXT NOT NULL)",
    "CREATE TRIGGER events_stay BEFORE UPDATE ON events BEGIN SELECT RAISE(ABORT, 'answers are only added'); END",
    "CREATE TRIGGER events_remain BEFORE DELETE ON events BEGIN SELECT RAISE(ABORT, 'answers are only added'); END",
    "CREATE TRIGGER censuses_stay BEFORE UPDATE ON censuses BEGIN SELECT RAISE(ABORT, 'snapshots never change'); END",
    "CREATE TRIGGER censuses_remain BEFORE DELETE ON censuses BEGIN SELECT RAISE(ABORT, 'snapshots never change'); END",
)
EVENT_COLUMNS = "sequence, at, person, request, census, answer, before, after"


class EventLogError(ClutchlightError):
    """The event log cannot be used. The text names the file and says what to do."""


class ExamKey(NamedTuple):
    """date : ISO 8601"""

    animal: str
    date: str


class UserRow(NamedTuple):
    """One user as stored. permission : a `Permission`;  password : its argon2id hash"""

    name: str
    role: str
    permission: str
    password: str


@dataclass(frozen=True)
class EventContent:
    """An answer about to be stored.

    person : name of the user;  request_id : chosen by the sender; the same id twice is one answer
    snapshot_id : of the snapshot that the answer refers to
    before, after : the eggs and counts that it changed, as JSON documents
    """

    person: str
    request_id: str
    snapshot_id: int
    answer: Answer
    before: dict[str, Any]
    after: dict[str, Any]


@dataclass(frozen=True)
class Event(EventContent):
    """A stored answer. sequence : from 1 within its exam;  at : UTC, ISO 8601"""

    sequence: int
    at: str


@dataclass(frozen=True)
class LoggedEvent:
    """An event with its exam. identity : increases over the events of all exams"""

    identity: int
    exam: ExamKey
    event: Event


def event_log_path(out: Path) -> Path:
    return out / "reviews.sqlite"


class EventTransaction:
    """The events of one exam while no other writer can add any. events : all so far, in order"""

    def __init__(self, connection: sqlite3.Connection, exam: ExamKey) -> None:
        self._connection = connection
        self._exam = exam
        self.events = _read_events(connection, exam)

    def find(self, request_id: str) -> Event | None:
        """The event that was stored for this request before, None if there is none."""
        return next((event for event in self.events if event.request_id == request_id), None)

    def append(self, content: EventContent) -> Event:
        """Add an event with the next sequence number and the current time."""
        event = Event(
            **vars(content),
            sequence=len(self.events) + 1,
            at=dt.datetime.now(dt.UTC).isoformat(timespec="milliseconds"),
        )
        self._connection.execute(
            f"INSERT INTO events (animal, date, {EVENT_COLUMNS}) VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?, ?)",
            (
                *self._exam,
                event.sequence,
                event.at,
                event.person,
                event.request_id,
                event.snapshot_id,
                event.answer.model_dump_json(),
                json.dumps(event.before),
                json.dumps(event.after),
            ),
        )
        self.events = (*self.events, event)
        return event


class EventLog:
    """The event log of one output folder, created if missing. May be used from many threads.

    Every method raises EventLogError if the file cannot be read or written.
    """

    def __init__(self, out: Path) -> None:
        self.path = event_log_path(out)
        # While one connection stays open, SQLite keeps its side files; creating them for every answer is slow.
        self._keep_open = self._connect()
        with self._writing() as connection:
            version = int(connection.execute("PRAGMA user_version").fetchone()[0])
            if version > SCHEMA_VERSION:
                raise EventLogError(
                    f"{self.path}: written by a newer version of Clutchlight (schema {version}; this version supports "
                    f"{SCHEMA_VERSION}). Install the newer version."
                )
            if version == 0:
                for statement in SCHEMA:
                    connection.execute(statement)
                connection.execute(f"PRAGMA user_version = {SCHEMA_VERSION}")

    def close(self) -> None:
        self._keep_open.close()

    @contextmanager
    def transaction(self, exam: ExamKey) -> Iterator[EventTransaction]:
        """Read an exam's events and add to them, with no other writer in between.

        What the block raises is passed on, and nothing is stored.
        """
        with self._writing() as connection:
            yield EventTransaction(connection, exam)

    def events(self, exam: ExamKey) -> tuple[Event, ...]:
        """All answers of one exam, in order."""
        with self._reading() as connection:
            return _read_events(connection, exam)

    def head(self, exam: ExamKey) -> int:
        """The sequence of the exam's last answer, 0 if there is none."""
        with self._reading() as connection:
            query = "SELECT max(sequence) FROM events WHERE animal = ? AND date = ?"
            return int(connection.execute(query, exam).fetchone()[0] or 0)

    def events_after(self, identity: int) -> Sequence[LoggedEvent]:
        """The answers of all exams after this one, in the order in which they were stored."""
        with self._reading() as connection:
            rows = connection.execute(
                f"SELECT identity, animal, date, {EVENT_COLUMNS} FROM events WHERE identity > ? ORDER BY identity",
                (identity,),
            )
            return [LoggedEvent(row[0], ExamKey(row[1], row[2]), _event(row[3:])) for row in rows]

    def save_snapshot(self, exam: ExamKey, fingerprint: str, document: str) -> int:
        """The number of the exam's snapshot of this result; it is stored now if it was not before."""
        with self._writing() as connection:
            connection.execute(
                "INSERT OR IGNORE INTO censuses (animal, date, fingerprint, document) VALUES (?, ?, ?, ?)",
                (*exam, fingerprint, document),
            )
            rows = connection.execute(
                "SELECT identity FROM censuses WHERE animal = ? AND date = ? AND fingerprint = ?", (*exam, fingerprint)
            )
            return int(rows.fetchone()[0])

    def snapshots(self, exam: ExamKey) -> dict[int, str]:
        """The documents of all snapshots of an exam, by number."""
        with self._reading() as connection:
            query = "SELECT identity, document FROM censuses WHERE animal = ? AND date = ?"
            return dict(connection.execute(query, exam))

    def users(self) -> list[UserRow]:
        """All who may log in, by name."""
        with self._reading() as connection:
            return [
                UserRow(*row)
                for row in connection.execute("SELECT name, role, may, password FROM people ORDER BY name")
            ]

    def save_user(self, user: UserRow) -> None:
        """Add a user, or replace the one of this name."""
        with self._writing() as connection:
            connection.execute("INSERT OR REPLACE INTO people VALUES (?, ?, ?, ?)", user)

    def remove_user(self, name: str) -> bool:
        """Whether there was such a user. The user's answers stay."""
        with self._writing() as connection:
            return connection.execute("DELETE FROM people WHERE name = ?", (name,)).rowcount > 0

    def _connect(self) -> sqlite3.Connection:
        with self._explain_errors("opened"):
            connection = sqlite3.connect(
                self.path, timeout=LOCK_TIMEOUT_S, isolation_level=None, check_same_thread=False
            )
            for pragma in ("journal_mode=WAL", "synchronous=FULL", "foreign_keys=ON"):
                connection.execute(f"PRAGMA {pragma}")
            return connection

    @contextmanager
    def _reading(self) -> Iterator[sqlite3.Connection]:
        connection = self._connect()
        try:
            with self._explain_errors("read"):
                yield connection
        finally:
            connection.close()

    @contextmanager
    def _writing(self) -> Iterator[sqlite3.Connection]:
        connection = self._connect()
        try:
            with self._explain_errors("written"):
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
    def _explain_errors(self, operation: str) -> Iterator[None]:
        try:
            yield
        except sqlite3.Error as error:
            raise EventLogError(
                f"{self.path}: the reviews could not be {operation} ({error}). Nothing already stored was lost. "
                "Check that the disk has free space and that the file is writable, and do not delete the file."
            ) from error


def _read_events(connection: sqlite3.Connection, exam: ExamKey) -> tuple[Event, ...]:
    query = f"SELECT {EVENT_COLUMNS} FROM events WHERE animal = ? AND date = ? ORDER BY sequence"
    return tuple(_event(row) for row in connection.execute(query, exam))


def _event(row: Sequence[Any]) -> Event:
    sequence, at, person, request_id, snapshot_id, answer, before, after = row
    return Event(
        person,
        request_id,
        snapshot_id,
        ANSWER_ADAPTER.validate_json(answer),
        json.loads(before),
        json.loads(after),
        sequence,
        at,
    )
