"""Answers, users and outcomes of earlier versions are moved to the people's file, once, and copied first."""

from __future__ import annotations

import sqlite3
from contextlib import closing
from pathlib import Path

import pytest

from pipeline.people import earlier_files
from pipeline.people.chain import JournalError
from pipeline.people.event_log import EventLog
from pipeline.people.head_file import head_path
from pipeline.people.journal import Journal
from pipeline.people.outcome_record import recorded_outcomes
from pipeline.people.schema import people_path
from pipeline.people.signatures import current_signatures
from pipeline.people.users import User, Users
from pipeline.store.dated_copies import CopyError, copies_folder, find_copies
from pipeline.store.schema_versions import file_version
from pipeline.store.store import Store
from tests.pipeline.earlier_databases import ANSWERS, SIGNED_AT, set_back_people, write_reviews, write_store
from tests.pipeline.people.conftest import EXAM, everything


@pytest.fixture(params=["2", "3 with outcomes"])
def old_out(tmp_path: Path, request: pytest.FixtureRequest) -> Path:
    write_store(tmp_path, request.param, outcomes=True)
    write_reviews(tmp_path)
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
    copy, of_store = find_copies(copies_folder(old_out))
    assert copy.reason == of_store.reason == "migration"
    with closing(sqlite3.connect(copy.folder / "reviews.sqlite")) as old:
        assert [row[0] for row in old.execute("SELECT answer FROM events ORDER BY identity")] == list(ANSWERS)
    with closing(sqlite3.connect(copy.folder / "clutchlight.sqlite")) as old:
        assert old.execute("SELECT count(*) FROM outcomes").fetchone() == (2,)
    assert_migrated(old_out)
    assert find_copies(copies_folder(old_out)) == [copy, of_store]  # once


class ProcessEnd(BaseException):
    """Stands for the end of the process."""


@pytest.mark.parametrize("step", ["copy_files", "create_database", "remove_moved", "Path.unlink"])
def test_a_migration_that_is_killed_is_done_at_the_next_start(
    old_out: Path, monkeypatch: pytest.MonkeyPatch, step: str
) -> None:
    def end(*_: object, **__: object) -> None:
        raise ProcessEnd

    with monkeypatch.context() as patch:
        patch.setattr(*((Path, "unlink") if step == "Path.unlink" else (earlier_files, step)), end)
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


def test_a_people_s_file_of_the_first_version_is_upgraded_after_a_copy(out: Path) -> None:
    sound, head = everything(out), head_path(out).read_bytes()
    set_back_people(people_path(out))
    assert everything(out) == sound  # a check reads it as it is
    assert find_copies(copies_folder(out)) == []
    for _ in range(2):
        Journal(out).close()
        assert everything(out) == sound
        assert head_path(out).read_bytes() == head
        (copy,) = find_copies(copies_folder(out))  # once
    for path, version in ((copy.folder / "people.sqlite", 1), (people_path(out), 2)):
        with closing(sqlite3.connect(path)) as connection:
            assert file_version(connection) == version


def test_a_damaged_old_file_is_left_as_it_is(old_out: Path) -> None:
    damaged = b"not a database at all, and long enough to be read as one" * 20
    (old_out / "reviews.sqlite").write_bytes(damaged)
    with pytest.raises(CopyError, match="could not be made"):
        Journal(old_out)
    assert (old_out / "reviews.sqlite").read_bytes() == damaged
    assert not people_path(old_out).exists()
