"""``clutchlight backup``, ``check`` and ``restore``: output and exit codes, and the copy of every night."""

from __future__ import annotations

import json
import sqlite3
from contextlib import closing
from pathlib import Path

import pytest

from pipeline.cli.exit_codes import ExitCode
from pipeline.people.journal import Journal
from pipeline.people.schema import people_path
from pipeline.people.users import Users
from pipeline.store.dated_copies import copies_folder, find_copies
from pipeline.store.lock import hold_lock
from pipeline.store.sqlite_database import database_path
from pipeline.store.store import Store, StoredExam
from tests.pipeline.blob_finder import write_exam_folder
from tests.pipeline.conftest import Clutchlight

RUN = {"settings_sha256": "s", "model_sha256": "m", "engine": "openvino"}


@pytest.fixture
def out(tmp_path: Path) -> Path:
    """An output folder in which somebody has a name."""
    out = tmp_path / "out"
    Store(out).close()
    with closing(Journal(out)) as journal:
        Users(journal).add_name("Orla Finch", "veterinarian")
    return out


def test_a_copy_is_made_and_restored(out: Path, tmp_path: Path, clutchlight: Clutchlight) -> None:
    made = clutchlight("backup", "--out", out, "--to", tmp_path / "disk")
    assert made.code == ExitCode.DONE
    (copy,) = find_copies(tmp_path / "disk")
    assert made.stdout == f"{copy.folder}\n"
    people_path(out).unlink()
    lost = clutchlight("review", "--out", out)
    assert lost.code == ExitCode.USAGE
    assert "people.sqlite: is missing, although people.head states 1 entries" in lost.stderr
    restored = clutchlight("restore", "--out", out, copy.folder)
    assert restored.code == ExitCode.DONE
    assert restored.stdout.startswith("people.sqlite and clutchlight.sqlite restored, 2 entries.")
    assert clutchlight("users", "--out", out).stdout == "Orla Finch\tveterinarian\tsign\n"
    assert clutchlight("check", "--out", out).code == ExitCode.DONE


def test_nothing_is_restored_during_a_batch_or_a_review(out: Path, clutchlight: Clutchlight) -> None:
    clutchlight("backup", "--out", out)
    (copy,) = find_copies(copies_folder(out))
    with hold_lock(out):
        assert clutchlight("backup", "--out", out).code == ExitCode.DONE  # but copies are made
        assert clutchlight("restore", "--out", out, copy.folder).code == ExitCode.LOCKED
    with closing(Journal(out)):
        assert clutchlight("restore", "--out", out, copy.folder).code == ExitCode.LOCKED


def test_the_check_prints_the_end_of_the_chain(out: Path, clutchlight: Clutchlight) -> None:
    with closing(Journal(out)) as journal:
        tip = journal.tip
    found = clutchlight("check", "--out", out)
    assert (found.code, found.stdout) == (ExitCode.DONE, f"0 signed exams; entry 1, SHA-256 {tip.digest}\n")
    document = json.loads(clutchlight("check", "--out", out, "--json").stdout)
    assert document == {"problems": [], "entries": 1, "head": tip.digest, "signed": 0}


@pytest.mark.parametrize(
    ("path", "problem"), [(people_path, "people.sqlite: is damaged"), (database_path, "clutchlight.sqlite: damaged")]
)
def test_damage_has_an_exit_code_of_its_own(out: Path, path: object, problem: str, clutchlight: Clutchlight) -> None:
    path(out).write_bytes(b"not a database at all, and long enough to be read as one" * 20)
    found = clutchlight("check", "--out", out)
    assert found.code == ExitCode.DAMAGED
    assert problem in found.stderr


def test_the_check_verifies_every_row_of_the_store(out: Path, clutchlight: Clutchlight) -> None:
    with Store(out) as store:
        store.save_exam(StoredExam("AF-0412", "2026-05-14", "f", "{}", ()), store.start_run(**RUN))
    assert clutchlight("check", "--out", out).code == ExitCode.DONE
    with closing(sqlite3.connect(database_path(out))) as connection, connection:
        connection.execute("UPDATE exams SET fingerprint = 'g'")
    found = clutchlight("check", "--out", out)
    assert found.code == ExitCode.DAMAGED
    assert "exam AF-0412, 2026-05-14: damaged on the disk. The next batch removes it" in found.stderr


def test_a_file_older_than_its_copies_is_found(out: Path, clutchlight: Clutchlight) -> None:
    older = [path.read_bytes() for path in (people_path(out), out / "people.head")]
    with closing(Journal(out)) as journal:
        Users(journal).add_name("Ned Rush", "nurse")
    clutchlight("backup", "--out", out)
    for path, content in zip((people_path(out), out / "people.head"), older, strict=True):
        path.write_bytes(content)
    found = clutchlight("check", "--out", out)
    assert found.code == ExitCode.DAMAGED
    assert "lacks entries of its copy" in found.stderr


def test_every_night_one_copy_is_made(tmp_path: Path, out: Path, clutchlight: Clutchlight) -> None:
    write_exam_folder(tmp_path / "root", "AF-0412", {"left-1.mp4": 2}, seed=1)
    for _ in range(2):
        assert clutchlight("batch", tmp_path / "root", "--out", out, "--quiet").code == ExitCode.DONE
    (copy,) = find_copies(copies_folder(out))
    assert copy.reason == "night"
    with closing(sqlite3.connect(copy.folder / "people.sqlite")) as copied:
        assert copied.execute("SELECT count(*) FROM entries").fetchone() == (1,)


def test_a_copy_that_fails_is_reported_and_the_night_goes_on(
    tmp_path: Path, out: Path, clutchlight: Clutchlight
) -> None:
    write_exam_folder(tmp_path / "root", "AF-0412", {"left-1.mp4": 2}, seed=1)
    copies_folder(out).write_text("in the way")
    result = clutchlight("batch", tmp_path / "root", "--out", out)
    assert result.code == ExitCode.SOME_UNUSABLE
    assert "the copy could not be made" in result.stdout + result.stderr
    assert (out / "AF-0412" / "2026-05-14" / "report.html").is_file()
