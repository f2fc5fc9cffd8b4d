"""The journal: the people's file as the rest of the program uses it. Entries are only added, and verified when read.

Opening it verifies the whole chain. Later reads verify what they read, and all that was added since. A change behind
the program's back is a JournalError, which names the entry.
"""

from __future__ import annotations

import datetime as dt
import sqlite3
import threading
from collections.abc import Iterator
from contextlib import contextmanager, nullcontext, suppress
from pathlib import Path

from pipeline.people.chain import (
    EMPTY_CHAIN,
    ChainIndex,
    DamageError,
    Entry,
    JournalError,
    Tip,
    canonical_json,
    next_entry,
)
from pipeline.people.file_locks import UseLock, write_lock
from pipeline.people.head_file import HeadFile
from pipeline.people.loss import prepare_people_file
from pipeline.people.schema import ENTRY_COLUMNS, PRIVATE, check_schema, connect, people_path
from pipeline.store.network_drives import network_drive
from pipeline.store.schema_versions import DATABASE_ERRORS

__all__ = ["Journal", "JournalReader", "JournalWriter", "damage_text"]


class JournalReader:
    """The entries up to a tip, each verified when it is read. tip : where the chain ends in this transaction"""

    def __init__(self, connection: sqlite3.Connection, index: ChainIndex, tip: Tip) -> None:
        self._connection = connection
        self._index = index
        self.tip = tip

    def entry(self, number: int) -> Entry:
        query = f"SELECT {ENTRY_COLUMNS} FROM entries WHERE number = ?"
        return self._index.verified(self._connection.execute(query, (number,)).fetchone(), number)

    def entries(self, kind: str, *, after: int = 0) -> list[Entry]:
        """All entries of a kind after this number."""
        return [self.entry(number) for number in self._index.numbers(kind, first=after + 1, last=self.tip.length)]

    def exam_numbers(self, kind: str, animal: str, date: str) -> list[int]:
        """The numbers of the entries of a kind about one exam."""
        return self._index.exam_numbers(kind, animal, date, last=self.tip.length)

    def exam_entries(self, kind: str, animal: str, date: str) -> list[Entry]:
        return [self.entry(number) for number in self.exam_numbers(kind, animal, date)]

    def holds(self, tip: Tip) -> bool:
        """Whether the chain passes through this tip."""
        return tip.length <= self.tip.length and self._index.holds(tip)

    def check_count(self) -> None:
        """Raises DamageError if there are more or fewer entries than the last one's number."""
        count = self._connection.execute("SELECT count(*) FROM entries").fetchone()[0]
        if count != self.tip.length:
            raise DamageError(f"it holds {count} entries, and the last one has number {self.tip.length}")

    def passwords(self) -> dict[str, str]:
        """The passwords' hashes by name; `pipeline.people.users` compares them with the chain."""
        rows = self._connection.execute("SELECT name, password FROM credentials").fetchall()
        if not all(isinstance(value, str) for row in rows for value in row):
            raise DamageError("it holds a password that is something other than text")
        return dict(rows)


class JournalWriter(JournalReader):
    """The same, and what is added, while nobody else adds anything."""

    def __init__(self, connection: sqlite3.Connection, index: ChainIndex, tip: Tip) -> None:
        super().__init__(connection, index, tip)
        self._end = tip
        self._last_at = self.entry(tip.length).at if tip.length else ""

    @property
    def end(self) -> Tip:
        """The tip with what was added."""
        return self._end

    def append(self, kind: str, content: object, animal: str = "", date: str = "") -> Entry:
        """Add an entry with the current time."""
        # Clocks may be set back; the times of entries never go back.
        entry = next_entry(self._end, max(self._now(), self._last_at), kind, animal, date, canonical_json(content))
        self._connection.execute(
            f"INSERT INTO entries ({ENTRY_COLUMNS}) VALUES (?, ?, ?, ?, ?, ?, ?)", tuple(vars(entry).values())
        )
        self._end, self._last_at = entry.tip, entry.at
        return entry

    @staticmethod
    def _now() -> str:
        return dt.datetime.now(dt.UTC).isoformat(timespec="milliseconds")

    def set_password(self, name: str, password: str | None) -> None:
        """Store the hash of a password, None to remove it."""
        self._connection.execute("DELETE FROM credentials WHERE name = ?", (name,))
        if password is not None:
            self._connection.execute("INSERT INTO credentials VALUES (?, ?)", (name, password))


class Journal:
    """The journal of one output folder. May be used from many threads, and by several processes.

    Raises JournalError if the file is missing although people have said something, if it was changed by anything but
    this program, or if it cannot be read or written. A file of an earlier version is migrated, a missing one created.
    """

    def __init__(self, out: Path, *, create: bool = True) -> None:
        """create : whether to create or migrate the file; if not, a missing one is an error"""
        self.out = out
        self.path = people_path(out)
        _refuse_local_locks(out)
        self._head = HeadFile(out)
        self._index = ChainIndex()
        self._index_lock = threading.Lock()
        self._writer: int | None = None  # the thread that is writing
        self._use = UseLock(out)
        try:
            self._keep_open = self._opened(create=create)
        except BaseException:
            self._use.close()
            raise

    def _opened(self, *, create: bool) -> sqlite3.Connection:
        """A connection that stays open: so SQLite keeps its side files, which take long to make."""
        with self._explain_errors("opened"):
            with write_lock(self.out):
                prepare_people_file(self.out, self._head, create=create)
                with suppress(OSError):  # another owner's file keeps its permissions
                    self.path.chmod(PRIVATE)
            connection = connect(self.path)
            try:
                check_schema(connection)
                with self.reading() as reader:
                    reader.check_count()
            except BaseException:
                connection.close()
                raise
            return connection

    def close(self) -> None:
        self._keep_open.close()
        self._use.close()

    @property
    def tip(self) -> Tip:
        """Where the chain ends now."""
        with self.reading() as reader:
            return reader.tip

    @contextmanager
    def reading(self) -> Iterator[JournalReader]:
        """A view of the journal that no writer changes."""
        with self._explain_errors("read"), self._connected() as connection:
            tip = self._begin(connection, "BEGIN")
            if tip not in self._head.read():  # perhaps only since somebody is writing now
                connection.execute("ROLLBACK")
                # A thread that is writing holds the lock already.
                with nullcontext() if self._writer == threading.get_ident() else write_lock(self.out):
                    tip = self._begin(connection, "BEGIN")
                    self._check_head(tip)
            yield JournalReader(connection, self._index, tip)

    @contextmanager
    def writing(self) -> Iterator[JournalWriter]:
        """Read and add, with no other writer in between. What the block raises is passed on, and nothing is stored."""
        with self._explain_errors("written"), write_lock(self.out), self._connected() as connection:
            self._writer = threading.get_ident()
            try:
                tip = self._begin(connection, "BEGIN IMMEDIATE")
                self._check_head(tip)
                writer = JournalWriter(connection, self._index, tip)
                yield writer
                if writer.end != tip:
                    self._head.write(tip, writer.end)
            except BaseException:
                if connection.in_transaction:  # SQLite may have ended it, as where the disk is full
                    connection.execute("ROLLBACK")
                raise
            finally:
                self._writer = None
            connection.execute("COMMIT")
            if writer.end != tip:
                with suppress(JournalError):  # it is stored; both ends are still right
                    self._head.write(writer.end)

    @contextmanager
    def _connected(self) -> Iterator[sqlite3.Connection]:
        connection = connect(self.path)
        try:
            yield connection
        finally:
            connection.close()

    def _begin(self, connection: sqlite3.Connection, statement: str) -> Tip:
        """Begin a transaction, verify what was added since the last one, and return the tip."""
        known = self._index.tip
        connection.execute(statement)
        query = "SELECT number, hash FROM entries ORDER BY number DESC LIMIT 1"
        tip = Tip(*(connection.execute(query).fetchone() or EMPTY_CHAIN))
        first = connection.execute("SELECT min(number) FROM entries").fetchone()[0]
        if first not in (None, 1):
            raise DamageError(f"its first entry is {first}")
        if tip.length < known.length:
            raise DamageError(f"entries {tip.length + 1} to {known.length} are missing")
        with self._index_lock:
            rows = connection.execute(
                f"SELECT {ENTRY_COLUMNS} FROM entries WHERE number > ? ORDER BY number", (self._index.tip.length,)
            )
            self._index.extend(rows)
        if not self._index.holds(tip):
            raise DamageError(f"entry {tip.length} has changed since it was stored")
        return tip

    def _check_head(self, tip: Tip) -> None:
        """Raises DamageError if the chain does not end where the head file says."""
        tips = self._head.read()
        if tip in tips:
            return
        if not tips:
            raise DamageError(f"{self._head.path.name} beside it is missing, which says where its entries end")
        stated = tips[-1].length
        if stated > tip.length:
            raise DamageError(f"entries {tip.length + 1} to {stated} are missing; it may be an older copy")
        if stated < tip.length:
            raise DamageError(f"entries {stated + 1} to {tip.length} were not added by Clutchlight")
        raise DamageError(f"its last entry is not the one that {self._head.path.name} beside it states")

    @contextmanager
    def _explain_errors(self, operation: str) -> Iterator[None]:
        try:
            yield
        except DamageError as error:
            raise JournalError(damage_text(self.path, str(error))) from error
        except DATABASE_ERRORS as error:
            code = getattr(error, "sqlite_errorname", "")
            is_text = isinstance(error, UnicodeDecodeError) or "UTF-8" in str(error)
            if is_text or code.startswith(("SQLITE_NOTADB", "SQLITE_CORRUPT")):
                raise JournalError(damage_text(self.path, f"is damaged ({error})")) from error
            raise JournalError(
                f"{self.path}: what people said could not be {operation} ({error}). Nothing already stored was lost. "
                "Check that the disk has free space and that the file is there and writable, and do not delete it."
            ) from error


def _refuse_local_locks(out: Path) -> None:
    """Raises JournalError for a network drive on which two machines could write at once."""
    drive = network_drive(out)
    if drive is not None and not drive.has_locks:
        raise JournalError(
            f"{out}: on a network drive ({drive.mount}, {drive.kind}) whose locks do not keep other machines out, so "
            "what people say could be damaged. Choose a folder on a local disk, or on NFS or SMB with their locks."
        )


def damage_text(path: Path, problem: str) -> str:
    """The problem with the people's file, and what to do."""
    return (
        f"{path}: {problem}. It holds people's answers, signatures, outcomes and accounts, which cannot be computed "
        f"again. Keep the file as it is, and restore a copy: clutchlight restore --out {path.parent} COPY; the copies "
        f"made every night are in {path.parent / 'backups'}."
    )
