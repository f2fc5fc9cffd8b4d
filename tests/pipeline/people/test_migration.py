"""Answers, users and outcomes of earlier versions are moved to the people's file, once, and copied first."""

from __future__ import annotations

import json
import sqlite3
from contextlib import closing
from pathlib import Path

import pytest

from pipeline.people import migration
from pipeline.people.chain import JournalError
from pipeline.people.dated_copies import copies_folder, find_copies
from pipeline.people.event_log import EventLog
from pipeline.people.journal import Journal
from pipeline.people.outcome_record import recorded_outcomes
from pipeline.people.schema import people_path
from pipeline.people.signatures import current_signatures
from pipeline.people.users import User, Users
from pipeline.store.store import Store
from tests.pipeline.people.conftest import COUNTS, EXAM

SIGNED_AT = "2026-05-16T08:00:00.000+00:00"
# As the earlier version made them.
OLD_REVIEWS = """
CREATE TABLE censuses (identity INTEGER PRIMARY KEY, animal TEXT NOT NULL, date TEXT NOT NULL,
    fingerprint TEXT NOT NULL, document TEXT NOT NULL, UNIQUE (animal, date, fingerprint));
CREATE TABLE events (identity INTEGER PRIMARY KEY AUTOINCREMENT, animal TEXT NOT NULL, date TEXT NOT NULL,
    sequence INTEGER NOT NULL, at TEXT NOT NULL, person TEXT NOT NULL, request TEXT NOT NULL,
    census INTEGER NOT NULL REFERENCES censuses, answer TEXT NOT NULL, before TEXT NOT NULL, after TEXT NOT NULL,
    UNIQUE (animal, date, sequence), UNIQUE (animal, date, request));
CREATE TABLE people (name TEXT PRIMARY KEY, role TEXT NOT NULL, may TEXT NOT NULL, password TEXT NOT NULL);
PRAGMA user_version = 1;
"""
OLD_OUTCOMES = """
CREATE TABLE outcomes (identity INTEGER PRIMARY KEY, recorded, animal, kind, date, number, who, note, withdrawn);
INSERT INTO outcomes VALUES (1, '2026-05-21', 'AF-0412', 'laid', '2026-05-20', 6, 'K. Sedge', NULL, 0);
INSERT INTO outcomes VALUES (2, '2026-05-22', 'AF-0412', 'laid', '2026-05-20', NULL, NULL, NULL, 1);
PRAGMA user_version = 2;
"""
ANSWERS = ('{"kind":"comment","text":"seen"}', '{"kind":"signed","name":"Orla Finch","role":"veterinarian"}')


def write_old_reviews(out: Path) -> None:
    with closing(sqlite3.connect(out / "reviews.sqlite")) as old, old:
        old.executescript(OLD_REVIEWS)
        old.execute("INSERT INTO people VALUES ('Orla Finch', 'veterinarian', 'sign', '$argon2id$hash')")
        old.execute("INSERT INTO censuses VALUES (7, ?, ?, 'f', '{}')", EXAM)
        for n, answer in enumerate(ANSWERS, start=1):
            counts = json.dumps(COUNTS)
            values = (*EXAM, n, SIGNED_AT, "Orla Finch", f"request-{n}", 7, answer, counts, counts)
            old.execute(f"INSERT INTO events VALUES (NULL{', ?' * len(values)})", values)


@pytest.fixture
def old_out(tmp_path: Path) -> Path:
    Store(tmp_path).close()
    with closing(sqlite3.connect(tmp_path / "clutchlight.sqlite")) as store, store:
        store.executescript(OLD_OUTCOMES)
    write_old_reviews(tmp_path)
    return tmp_path


def assert_migrated(out: Path) -> None:
    with closing(Journal(out)) as journal:
        event_log = EventLog(journal)
        comment, signature = event_log.events(EXAM)
        assert (comment.answer.kind, signature.sequence, signature.at) == ("comment", 2, SIGNED_AT)
        assert event_log.snapshots(EXAM) == {comment.snapshot_id: "{}"}
        stored = current_signatures(event_log)[EXAM]
        assert (stored.name, stored.role, stored.logged_in) == ("Orla Finch", "veterinarian", None)
        assert [(one.number, one.who, one.withdrawn) for one in recorded_outcomes(journal)] == [
            (6, "K. Sedge", False),
            (None, None, True),
        ]
        account = Users(journal).find("Orla Finch")
        assert account is not None
        assert account == (User("Orla Finch", "veterinarian", "sign"), "$argon2id$hash")
    assert not (out / "reviews.sqlite").exists()
    with Store(out):  # without the outcomes it is one of this version
        pass


def test_everything_is_moved_and_the_old_files_are_copied_first(old_out: Path) -> None:
    assert_migrated(old_out)
    (copy,) = find_copies(copies_folder(old_out))
    assert copy.reason == "migration"
    with closing(sqlite3.connect(copy.folder / "reviews.sqlite")) as old:
        assert [row[0] for row in old.execute("SELECT answer FROM events ORDER BY identity")] == list(ANSWERS)
    with closing(sqlite3.connect(copy.folder / "clutchlight.sqlite")) as old:
        assert old.execute("SELECT count(*) FROM outcomes").fetchone() == (2,)
    assert_migrated(old_out)
    assert find_copies(copies_folder(old_out)) == [copy]  # once


class ProcessEnd(BaseException):
    """Stands for the end of the process."""


@pytest.mark.parametrize("step", ["copy_files", "create_database", "remove_old_form", "Path.unlink"])
def test_a_migration_that_is_killed_is_done_at_the_next_start(
    old_out: Path, monkeypatch: pytest.MonkeyPatch, step: str
) -> None:
    def end(*_: object, **__: object) -> None:
        raise ProcessEnd

    with monkeypatch.context() as patch:
        patch.setattr(*((Path, "unlink") if step == "Path.unlink" else (migration, step)), end)
        with pytest.raises(ProcessEnd):
            Journal(old_out)
    assert_migrated(old_out)


def test_lost_answers_are_an_error_also_where_outcomes_are_left_to_move(old_out: Path) -> None:
    (old_out / "reviews.sqlite").write_bytes(b"")
    sheet = old_out / EXAM.animal / EXAM.date / "signed.json"
    sheet.parent.mkdir(parents=True)
    sheet.write_text("{}")
    with pytest.raises(JournalError, match="exams are signed"):
        Journal(old_out)
    assert not people_path(old_out).exists()


def test_a_damaged_old_file_is_left_as_it_is(old_out: Path) -> None:
    damaged = b"not a database at all, and long enough to be read as one" * 20
    (old_out / "reviews.sqlite").write_bytes(damaged)
    with pytest.raises(JournalError, match="could not be made"):
        Journal(old_out)
    assert (old_out / "reviews.sqlite").read_bytes() == damaged
    assert not people_path(old_out).exists()
