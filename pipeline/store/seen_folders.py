"""``seen.sqlite``: how the recordings' folder looked when its exams were processed, so that a night looks only at news.

It may be deleted at any time: the next night then looks at everything in full. A damaged file is begun anew.
"""

from __future__ import annotations

import json
import sqlite3
from collections.abc import Collection, Iterator, Sequence
from contextlib import contextmanager, suppress
from dataclasses import astuple, dataclass
from pathlib import Path
from typing import Any

from pipeline.locations.file_state import FileState
from pipeline.store.network_drives import journal_mode
from pipeline.store.schema import StoreError

__all__ = ["SeenExam", "SeenFolders", "SeenRecording", "seen_path"]

VERSION = 2  # of the tables; a file of another version is begun anew
TABLES = """
CREATE TABLE exams (
    folder TEXT PRIMARY KEY, animal TEXT NOT NULL, date TEXT NOT NULL, clips TEXT NOT NULL, state TEXT NOT NULL,
    basis TEXT NOT NULL, fingerprint TEXT NOT NULL, results TEXT NOT NULL, results_ns INTEGER NOT NULL
) WITHOUT ROWID;
CREATE TABLE recordings (
    folder TEXT NOT NULL, file TEXT NOT NULL, size_bytes INTEGER NOT NULL, modified_ns INTEGER NOT NULL,
    etag TEXT NOT NULL, sample TEXT NOT NULL, sha256 TEXT NOT NULL, first_picture_sha256 TEXT NOT NULL,
    PRIMARY KEY (folder, file)
) WITHOUT ROWID;
CREATE INDEX recordings_by_first_picture ON recordings (first_picture_sha256);
CREATE TABLE facts (name TEXT PRIMARY KEY, value TEXT NOT NULL) WITHOUT ROWID;
"""


@dataclass(frozen=True, slots=True)
class SeenExam:
    """An exam that was processed without a remark.

    folder : relative to the recordings' folder;  state : of that folder (`pipeline.exams.folder_state`)
    basis : a digest of all else that its files depend on;  fingerprint : of its result in the store
    results, results_ns : the folder of its results, relative to the output folder, and when that last changed
    """

    folder: str
    animal: str
    date: str
    clips: tuple[str, ...]
    state: str
    basis: str
    fingerprint: str
    results: str
    results_ns: int


@dataclass(frozen=True, slots=True)
class SeenRecording:
    """A recording and its digests.

    folder : of its exam, relative;  etag : as in `FileState`;  sample : a digest of some of its bytes, "" if not needed
    """

    folder: str
    file: str
    size_bytes: int
    modified_ns: int
    etag: str
    sample: str
    sha256: str
    first_picture_sha256: str

    @property
    def file_state(self) -> FileState:
        return FileState(self.size_bytes, self.modified_ns, self.etag)


def seen_path(out: Path) -> Path:
    return out / "seen.sqlite"


class SeenFolders:
    """What is remembered in one output folder. Only a run that holds the folder's lock may write.

    Raises StoreError if the file cannot be used.
    """

    def __init__(self, out: Path, *, read_only: bool = False) -> None:
        """read_only : for a look while another run may be writing; a missing file is empty then"""
        self._path = seen_path(out)
        try:
            self._connection = self._reading() if read_only else self._opened()
        except sqlite3.Error as error:
            raise self._trouble("opened", error) from error

    def close(self) -> None:
        with suppress(sqlite3.Error):
            self._connection.close()

    def exam(self, folder: str) -> SeenExam | None:
        for place, animal, date, clips, *rest in self._rows("SELECT * FROM exams WHERE folder = ?", folder):
            return SeenExam(place, animal, date, tuple(json.loads(clips)), *rest)
        return None

    def folders(self) -> list[str]:
        """Of all exams, sorted."""
        return [folder for (folder,) in self._rows("SELECT folder FROM exams ORDER BY folder")]

    def save_exam(self, exam: SeenExam, recordings: Sequence[SeenRecording]) -> None:
        """Remember an exam, and of its folder these recordings and no others."""
        with self._writing() as connection:
            connection.execute("DELETE FROM recordings WHERE folder = ?", (exam.folder,))
            row = (*astuple(exam)[:3], json.dumps(exam.clips), *astuple(exam)[4:])
            connection.execute("REPLACE INTO exams VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?)", row)
            connection.executemany("INSERT INTO recordings VALUES (?, ?, ?, ?, ?, ?, ?, ?)", map(astuple, recordings))

    def save_state(self, folder: str, state: str) -> None:
        """Replace the state of an exam's folder."""
        with self._writing() as connection:
            connection.execute("UPDATE exams SET state = ? WHERE folder = ?", (state, folder))

    def forget(self, animal: str, date: str) -> None:
        """Look at this exam in full next time."""
        with self._writing() as connection:
            connection.execute("UPDATE exams SET state = '' WHERE animal = ? AND date = ?", (animal, date))

    def forget_recordings(self, sha256s: Collection[str]) -> None:
        """Look at the exams with these recordings in full next time."""
        query = "UPDATE exams SET state = '' WHERE folder IN (SELECT folder FROM recordings WHERE sha256 = ?)"
        if sha256s:
            with self._writing() as connection:
                connection.executemany(query, [(sha256,) for sha256 in sha256s])

    def recordings_in(self, folder: str) -> list[SeenRecording]:
        query = "SELECT * FROM recordings WHERE folder = ? ORDER BY file"
        return [SeenRecording(*row) for row in self._rows(query, folder)]

    def clip_digests(self) -> list[tuple[str, str, str]]:
        """Animal, date and SHA-256 of every recording."""
        return self._rows("SELECT animal, date, sha256 FROM recordings JOIN exams USING (folder)")

    def folders_with(self, first_picture_sha256: str) -> list[str]:
        """The exams with a recording that begins with this picture."""
        query = "SELECT DISTINCT folder FROM recordings WHERE first_picture_sha256 = ? ORDER BY folder"
        return [folder for (folder,) in self._rows(query, first_picture_sha256)]

    def fact(self, name: str) -> str | None:
        rows = self._rows("SELECT value FROM facts WHERE name = ?", name)
        return str(rows[0][0]) if rows else None

    def save_fact(self, name: str, value: str | None) -> None:
        with self._writing() as connection:
            connection.execute("DELETE FROM facts WHERE name = ?", (name,))
            if value is not None:
                connection.execute("INSERT INTO facts VALUES (?, ?)", (name, value))

    def _rows(self, query: str, *values: str) -> list[Any]:
        try:
            return self._connection.execute(query, values).fetchall()
        except sqlite3.Error as error:
            raise self._trouble("read", error) from error

    @contextmanager
    def _writing(self) -> Iterator[sqlite3.Connection]:
        """One transaction."""
        try:
            with self._connection:
                yield self._connection
        except sqlite3.Error as error:
            raise self._trouble("written", error) from error

    def _trouble(self, action: str, error: sqlite3.Error) -> StoreError:
        if getattr(error, "sqlite_errorname", "") == "SQLITE_FULL":
            return StoreError(f"{self._path}: no space is left on the disk. Free some space, then run again.")
        return StoreError(f"{self._path}: cannot be {action} ({error}). Remove it; it is made anew.")

    def _reading(self) -> sqlite3.Connection:
        if self._path.is_file():
            connection = sqlite3.connect(f"{self._path.absolute().as_uri()}?mode=ro", uri=True)
            with suppress(sqlite3.DatabaseError):
                if _version(connection) == VERSION:
                    return connection
            connection.close()
        return _with_tables(sqlite3.connect(":memory:"))

    def _opened(self) -> sqlite3.Connection:
        connection = sqlite3.connect(self._path)
        try:
            # After a power cut the last exams may be missing here. They are looked at in full then.
            connection.execute(f"PRAGMA journal_mode={journal_mode(self._path)}")
            connection.execute("PRAGMA synchronous=NORMAL")
            if _version(connection) == VERSION:
                return connection
        except sqlite3.OperationalError:  # such as a full disk, which says nothing about the file
            connection.close()
            raise
        except sqlite3.DatabaseError:
            pass
        connection.close()
        for suffix in ("", "-wal", "-shm"):
            Path(f"{self._path}{suffix}").unlink(missing_ok=True)
        return _with_tables(sqlite3.connect(self._path))


def _version(connection: sqlite3.Connection) -> int:
    return int(connection.execute("PRAGMA user_version").fetchone()[0])


def _with_tables(connection: sqlite3.Connection) -> sqlite3.Connection:
    connection.executescript(f"BEGIN;{TABLES}PRAGMA user_version = {VERSION};COMMIT;")
    return connection
