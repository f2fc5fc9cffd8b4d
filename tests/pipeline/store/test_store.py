"""The store: what was saved is read back, and every error names the file."""

from __future__ import annotations

import os
import signal
import sqlite3
import subprocess
import sys
from contextlib import closing
from pathlib import Path

import pytest
from sqlalchemy import text

from pipeline.store.lock import LockedError, hold_lock
from pipeline.store.output_database import database_of
from pipeline.store.store import (
    ExamListing,
    RunOutcome,
    ScanKey,
    Store,
    StoredExam,
    StoredPicture,
    StoredScan,
    StoreError,
)

KEY = ScanKey("c" * 64, "m" * 64, "s" * 64, "openvino")
SCAN = StoredScan(
    b"\x00packed\xff",
    (
        StoredPicture(1, 7, (10.5, 20.25, 9.0, 6.0, 0.1), b"jpeg one"),
        StoredPicture(3, 9, (1 / 3, 2.0, 3.0, 2.0, 179.9), b"jpeg two"),
    ),
)
EXAM = StoredExam("AF-0001", "2026-05-14", "f" * 64, '{"animal": "AF-0001"}', ("AF-0001/2026-05-14/result.json",))


def query(out: Path, sql: str) -> list[tuple[object, ...]]:
    """Rows of the database, read without the store."""
    engine = database_of(out).connect()
    with engine.connect() as connection:
        rows = [tuple(row) for row in connection.execute(text(sql))]
    engine.dispose()
    return rows


def start(store: Store) -> int:
    return store.start_run(settings_sha256="s", model_sha256="m", engine="openvino")


def test_scan_is_read_back_as_it_was_saved(folder: Path) -> None:
    with Store(folder) as store:
        assert store.scan(KEY) is None
        store.save_scan(KEY, SCAN)
    with Store(folder) as store:
        assert store.scan(KEY) == SCAN


@pytest.mark.parametrize("part", ["clip_sha256", "model_sha256", "settings_sha256", "engine"])
def test_each_part_of_the_key_matters(folder: Path, part: str) -> None:
    with Store(folder) as store:
        store.save_scan(KEY, SCAN)
        assert store.scan(ScanKey(**{**vars(KEY), part: "another"})) is None


def test_scan_saved_again_replaces_the_first_and_its_pictures(folder: Path) -> None:
    with Store(folder) as store:
        store.save_scan(KEY, SCAN)
        store.save_scan(KEY, StoredScan(b"other", SCAN.pictures[:1]))
        assert store.scan(KEY) == StoredScan(b"other", SCAN.pictures[:1])
    assert query(folder, "select count(*) from pictures") == [(1,)]


def test_exams_have_their_last_result_and_are_sorted(folder: Path) -> None:
    second = StoredExam("AF-0001", "2026-05-15", "g" * 64, "{}", ())
    other = StoredExam("AF-0000", "2026-06-01", "h" * 64, "{}", ())
    newer = StoredExam(EXAM.animal, EXAM.date, "i" * 64, "{}", ("a", "b"))
    with Store(folder) as store:
        run = start(store)
        for exam in (second, EXAM, other, newer):
            store.save_exam(exam, run)
        assert list(store.exams()) == [other, newer, second]
        assert store.exam(EXAM.animal, EXAM.date) == newer
        assert store.exam("nobody", EXAM.date) is None


def test_exams_of_some_days_and_the_last_urgent_ones(folder: Path) -> None:
    def listed(animal: str, date: str, urgency: int) -> StoredExam:
        return StoredExam(animal, date, date, "{}", (), ExamListing(f"{animal}/{date}", "", urgency))

    exams = [listed("A", "2025-12-31", 0), listed("A", "2026-01-01", 2), listed("B", "2026-03-01", 1)]
    unlisted = StoredExam("C", "2026-01-01", "f", "{}", ())  # of another version
    with Store(folder) as store:
        run = start(store)
        for exam in (*exams, unlisted):
            store.save_exam(exam, run)
        assert list(store.exams_between("2025-01-01", "2026-01-01")) == exams[:1]
        assert list(store.exams_between("2026-01-01", "2027-01-01")) == [*exams[1:], unlisted]
        assert store.last_exams(2) == [("B", "2026-03-01", "2026-03-01")]


def test_run_without_an_end_is_recorded_as_killed_by_the_next(folder: Path) -> None:
    with Store(folder) as store:
        start(store)
        store.finish_run(start(store), RunOutcome.DONE)
    rows = query(folder, "select outcome, ended is null from runs")
    assert rows == [("killed", False), ("done", False)]


def test_scan_that_cannot_be_saved_leaves_nothing(folder: Path) -> None:
    invalid = StoredScan(b"x", (SCAN.pictures[0], SCAN.pictures[0]))  # two pictures of one track
    with Store(folder) as store:
        with pytest.raises(StoreError):
            store.save_scan(KEY, invalid)
        assert store.scan(KEY) is None
        store.save_scan(KEY, SCAN)
        assert store.scan(KEY) == SCAN


def test_process_killed_while_writing_leaves_only_whole_scans(folder: Path) -> None:
    writer = (
        "import sys; from pathlib import Path; from pipeline.store.store import *\n"
        "store = Store(Path(sys.argv[1]))\n"
        "for i in range(10**6):\n"
        "    pictures = tuple(StoredPicture(t, i, (0., 0., 1., 1., 0.), bytes(20000)) for t in range(20))\n"
        "    store.save_scan(ScanKey(str(i), 'm', 's', 'e'), StoredScan(bytes(50000), pictures))\n"
        "    print(i, flush=True)\n"
    )
    process = subprocess.Popen([sys.executable, "-c", writer, str(folder)], stdout=subprocess.PIPE, text=True)
    assert process.stdout is not None
    for _ in range(5):
        last_saved = int(process.stdout.readline())
    os.kill(process.pid, signal.SIGKILL)
    process.wait()
    process.stdout.close()
    with Store(folder) as store:
        assert all(store.scan(ScanKey(str(i), "m", "s", "e")) is not None for i in range(last_saved + 1))
    scans = "select count(*), (select 20 * count(*) from scans) as expected from pictures"
    assert [pictures == expected for pictures, expected in query(folder, scans)] == [True]


def test_file_that_is_not_a_database_is_named(tmp_path: Path) -> None:
    (tmp_path / "clutchlight.sqlite").write_text("this is a text about turtles\n" * 100)
    with pytest.raises(
        StoreError, match=r"clutchlight\.sqlite: the file is damaged or is not a database\. Move it away"
    ):
        Store(tmp_path)


def test_database_of_another_program_is_refused(tmp_path: Path) -> None:
    connection = sqlite3.connect(tmp_path / "clutchlight.sqlite")
    connection.execute("create table recipes (name)")
    connection.close()
    with pytest.raises(StoreError, match="the database of another program"):
        Store(tmp_path)


def test_newer_schema_is_refused(tmp_path: Path) -> None:
    Store(tmp_path).close()
    with closing(sqlite3.connect(tmp_path / "clutchlight.sqlite")) as connection, connection:
        connection.execute("pragma user_version = 99")
        connection.execute("update alembic_version set version_num = 'v99'")
    with pytest.raises(StoreError, match=r"newer version of Clutchlight \(schema 99"):
        Store(tmp_path)


def test_refusals_are_kept_until_they_are_deleted(folder: Path) -> None:
    with Store(folder) as store:
        store.save_refusal("a" * 64, "it crashed")
        store.save_refusal("a" * 64, "it took too long")
    with Store(folder) as store:
        assert (store.refusal("a" * 64), store.refusal("b" * 64)) == ("it took too long", None)
        store.delete_refusal("a" * 64)
        assert store.refusal("a" * 64) is None


def test_folder_that_cannot_be_created_is_named(tmp_path: Path) -> None:
    (tmp_path / "file").write_text("in the way")
    with pytest.raises(StoreError, match="file/out: this output folder cannot be created"):
        Store(tmp_path / "file" / "out")


def test_full_disk_is_reported_and_loses_nothing(tmp_path: Path) -> None:
    with Store(tmp_path) as store:
        store.save_scan(KEY, SCAN)
        with store._engine.connect() as connection:  # SQLite's own limit acts like a full disk
            pages = connection.exec_driver_sql("pragma page_count").scalar_one()
            connection.exec_driver_sql(f"pragma max_page_count = {pages + 2}")
        other = ScanKey("d" * 64, "m", "s", "openvino")
        with pytest.raises(StoreError, match=r"clutchlight\.sqlite: no space is left on the disk\. Free some space"):
            store.save_scan(other, StoredScan(bytes(10**6), ()))
        assert store.scan(other) is None
        assert store.scan(KEY) == SCAN


def test_file_that_cannot_be_written_is_reported(tmp_path: Path) -> None:
    with Store(tmp_path) as store:
        with store._engine.connect() as connection:
            connection.exec_driver_sql("pragma query_only = on")
        with pytest.raises(StoreError, match=r"not writable\. Change the permissions"):
            store.save_scan(KEY, SCAN)


def test_lock_keeps_a_second_run_out_until_the_first_ends(tmp_path: Path) -> None:
    message = rf"another run is using this folder \(process {os.getpid()}\)"
    with hold_lock(tmp_path), pytest.raises(LockedError, match=message), hold_lock(tmp_path):
        raise AssertionError("two runs hold the lock")
    with hold_lock(tmp_path):
        pass


def test_killed_process_leaves_no_lock(tmp_path: Path) -> None:
    holder = (
        "import sys, time; from pathlib import Path; from pipeline.store.lock import hold_lock\n"
        "with hold_lock(Path(sys.argv[1])):\n    print('held', flush=True); time.sleep(60)\n"
    )
    process = subprocess.Popen([sys.executable, "-c", holder, str(tmp_path)], stdout=subprocess.PIPE, text=True)
    assert process.stdout is not None
    assert process.stdout.readline() == "held\n"
    with pytest.raises(LockedError, match=str(process.pid)), hold_lock(tmp_path):
        raise AssertionError("two runs hold the lock")
    process.kill()
    process.wait()
    process.stdout.close()
    with hold_lock(tmp_path):
        pass


def test_lock_file_that_cannot_be_created_is_named(tmp_path: Path) -> None:
    (tmp_path / "file").write_text("in the way")
    with (
        pytest.raises(StoreError, match=r"file/\.lock: this output folder cannot be used"),
        hold_lock(tmp_path / "file"),
    ):
        raise AssertionError("locked a folder that is a file")


def test_lock_does_not_follow_a_link(tmp_path: Path) -> None:
    (tmp_path / "kept").write_text("words of people")
    (tmp_path / ".lock").symlink_to(tmp_path / "kept")
    with pytest.raises(StoreError, match="a link instead of"), hold_lock(tmp_path):
        pass
    assert (tmp_path / "kept").read_text() == "words of people"
