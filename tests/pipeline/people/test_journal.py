"""The journal keeps what was said, and notices every change behind the program's back."""

from __future__ import annotations

import os
import random
import signal
import sqlite3
import stat
import subprocess
import sys
from contextlib import closing, suppress
from pathlib import Path

import pytest

from pipeline.attacks.forgeries import ENTRY_FORGERIES, OTHER_FORGERIES, Forgery, forge
from pipeline.exams.outcomes import current_outcomes
from pipeline.people.chain import JournalError, canonical_json, next_entry
from pipeline.people.event_log import EventLog
from pipeline.people.head_file import HeadFile, head_path
from pipeline.people.journal import Journal
from pipeline.people.outcome_record import recorded_outcomes
from pipeline.people.schema import people_path
from pipeline.people.signatures import current_signatures
from pipeline.people.users import User, Users
from tests.pipeline.people.conftest import EXAM, OTHER, PASSWORD, everything


def test_everything_is_read_as_it_was_said(out: Path) -> None:
    with closing(Journal(out)) as journal:
        signed = current_signatures(EventLog(journal))
        assert list(signed) == [EXAM]
        assert (signed[EXAM].name, signed[EXAM].logged_in, signed[EXAM].shelled) == ("Orla Finch", True, (5, 6, 6, 7))
        assert [outcome.number for outcome in recorded_outcomes(journal)] == [6, 7]
        assert [outcome.number for outcome in current_outcomes(recorded_outcomes(journal))] == [7]
        users = Users(journal)
        assert users.authenticate("Orla Finch", PASSWORD) is not None
        assert users.authenticate("Ned Rush", "") is None  # only in the list of the machine itself
        assert users.list_users() == [User("Ned Rush", "nurse", "sign"), User("Orla Finch", "veterinarian", "sign")]


def test_files_are_readable_by_their_owner_only(out: Path) -> None:
    with closing(Journal(out)):
        for path in (path for path in out.iterdir() if path.is_file()):
            assert stat.S_IMODE(path.stat().st_mode) == 0o600, path
    people_path(out).chmod(0o644)
    Journal(out).close()
    assert stat.S_IMODE(people_path(out).stat().st_mode) == 0o600


def test_a_removed_user_s_password_is_gone_and_the_account_can_be_made_again(out: Path) -> None:
    with closing(Journal(out)) as journal:
        users = Users(journal)
        assert users.remove("Orla Finch")
        assert not users.remove("Orla Finch")
        assert b"argon2id" not in b"".join(canonical_json(vars(e)).encode() for e in everything(out)[0])
        users.add_name("Orla Finch", "veterinarian")
        with pytest.raises(ValueError, match="in the list already"):
            users.add_name("orla finch", "nurse")
        assert users.authenticate("Orla Finch", PASSWORD) is None


def test_times_never_go_back(out: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    with closing(Journal(out)) as journal:
        with journal.writing() as writer:
            later = writer.append("restore", {})
        monkeypatch.setattr("pipeline.people.journal.JournalWriter._now", staticmethod(lambda: "1999-01-01"))
        with journal.writing() as writer:
            assert writer.append("restore", {}).at == later.at
    everything(out)


def test_the_triggers_refuse_changes(out: Path) -> None:
    with closing(sqlite3.connect(people_path(out))) as connection:
        for statement in ("UPDATE entries SET body = '{}'", "DELETE FROM entries"):
            with pytest.raises(sqlite3.IntegrityError, match="only added"):
                connection.execute(statement)


@pytest.mark.parametrize("forgery", [pytest.param(f, id=n) for n, f in (ENTRY_FORGERIES | OTHER_FORGERIES).items()])
def test_no_forgery_is_accepted(out: Path, forgery: Forgery) -> None:
    with closing(sqlite3.connect(people_path(out))) as connection, connection:
        forge(connection, forgery)
    with pytest.raises(JournalError, match=r"people\.sqlite: .*restore a copy"):
        everything(out)


@pytest.mark.parametrize("forgery", [pytest.param(f, id=n) for n, f in ENTRY_FORGERIES.items()])
def test_a_forged_entry_is_noticed_while_the_program_runs(out: Path, forgery: Forgery) -> None:
    with closing(Journal(out)) as journal:
        with closing(sqlite3.connect(people_path(out))) as connection, connection:
            forge(connection, forgery)
        with pytest.raises(JournalError):
            read_all(journal)


def read_all(journal: Journal) -> None:
    """What the pages of two exams and the batch read."""
    for exam in (EXAM, OTHER):
        EventLog(journal).events(exam)
    recorded_outcomes(journal)
    Users(journal).list_users()


def test_a_writer_that_finds_damage_while_it_reads_stops(out: Path) -> None:
    """It holds the lock for which it would otherwise wait."""
    with closing(Journal(out)) as journal, suppress(JournalError), journal.writing():
        head_path(out).write_text(f"3 {'0' * 64}\n")
        with pytest.raises(JournalError):
            EventLog(journal).events(EXAM)


@pytest.mark.parametrize(
    ("content", "problem"),
    [
        (None, "is missing"),
        (b"", "is damaged"),
        (b"3 " + b"0" * 64 + b"\n", "not added by Clutchlight"),
        (b"99 " + b"0" * 64 + b"\n", "are missing"),
        (b"nothing\n", "cannot be read"),
    ],
)
def test_a_changed_head_file_is_noticed(out: Path, content: bytes | None, problem: str) -> None:
    if content is None:
        head_path(out).unlink()
    else:
        head_path(out).write_bytes(content)
    with pytest.raises(JournalError, match=problem):
        Journal(out)


def test_an_older_copy_in_its_place_is_noticed(out: Path) -> None:
    older = people_path(out).read_bytes()
    with closing(Journal(out)) as journal, journal.writing() as writer:
        writer.append("restore", {})
    people_path(out).write_bytes(older)
    with pytest.raises(JournalError, match="may be an older copy"):
        Journal(out)


def test_no_flipped_bit_changes_what_is_read(out: Path) -> None:
    """200 bits, of which those in unused parts of the file change nothing."""
    sound, content, rng = everything(out), people_path(out).read_bytes(), random.Random(17)
    noticed = 0
    for _ in range(200):
        place, bit = rng.randrange(len(content)), rng.randrange(8)
        flipped = bytearray(content)
        flipped[place] ^= 1 << bit
        people_path(out).write_bytes(flipped)
        try:
            assert everything(out) == sound, (place, bit)
        except JournalError:
            noticed += 1
        for side_file in out.glob("people.sqlite-*"):
            side_file.unlink()
    assert noticed > 50


@pytest.mark.parametrize("before", [1, 3], ids=["password", "name"])
def test_a_flipped_bit_that_makes_bytes_of_text_is_noticed(out: Path, before: int) -> None:
    """SQLite states the type of each value of a row in a number before them; the last bit tells text from bytes."""
    content = bytearray(people_path(out).read_bytes())
    content[content.index(b"Orla Finch$argon2") - before] ^= 1
    people_path(out).write_bytes(content)
    with pytest.raises(JournalError, match="something other than text"):
        everything(out)


def test_killed_writers_lose_nothing_that_was_stored_and_leave_a_sound_file(out: Path) -> None:
    writer = (
        "import sys; from pathlib import Path; from pipeline.people.journal import Journal\n"
        "journal = Journal(Path(sys.argv[1]))\n"
        "for n in range(10**6):\n"
        "    with journal.writing() as writing:\n"
        "        number = writing.append('restore', {'n': n}).number\n"
        "    print(number, flush=True)\n"
    )
    rng = random.Random(3)
    for _ in range(4):
        process = subprocess.Popen([sys.executable, "-c", writer, str(out)], stdout=subprocess.PIPE, text=True)
        assert process.stdout is not None
        for _ in range(rng.randrange(1, 40)):
            last = int(process.stdout.readline())
        os.kill(process.pid, signal.SIGKILL)
        process.communicate()
        with closing(Journal(out)) as journal:
            assert journal.tip.length >= last


def test_after_a_crash_between_the_two_writes_of_the_head_both_ends_are_right(out: Path) -> None:
    with closing(Journal(out)) as journal:
        before = journal.tip
        with journal.writing() as writer:
            after = writer.append("restore", {}).tip
        HeadFile(out).write(before, after)
        assert journal.tip == after
        HeadFile(out).write(after, next_entry(after, "2099", "restore", "", "", "{}").tip)
        with journal.writing() as writer:
            last = writer.append("restore", {}).tip
        assert HeadFile(out).read() == (last,)


def test_a_file_that_is_not_a_database_is_named(out: Path) -> None:
    people_path(out).write_bytes(b"not a database at all, and long enough to be read as one" * 20)
    with pytest.raises(JournalError, match=r"people\.sqlite: is damaged"):
        Journal(out)
