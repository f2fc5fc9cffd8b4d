"""A bit that the disk has flipped is noticed, and what was in that row counts as absent: never as something else."""

from __future__ import annotations

import random
import sqlite3
from contextlib import closing
from pathlib import Path

import pytest
from sqlalchemy import delete, select
from sqlalchemy.dialects import sqlite

from pipeline.store.damaged_rows import TABLES, check_rows
from pipeline.store.output_database import database_of
from pipeline.store.schema import Table
from pipeline.store.sql_functions import is_row
from pipeline.store.sqlite_database import database_path
from pipeline.store.store import RunOutcome, ScanKey, Store, StoredExam, StoredPicture, StoredScan, StoreError

KEYS = [ScanKey(f"{n:064x}", "m" * 64, "s" * 64, "openvino") for n in range(3)]
SCANS = [StoredScan(bytes(range(200)) * n, (StoredPicture(n, 7, (1, 2, 3, 2, n), b"jpeg" * 300),)) for n in range(1, 4)]
EXAMS = [StoredExam(f"AF-{n:04}", "2026-05-14", "f" * 64, '{"a": 1}' * 99, ("result.json",)) for n in range(3)]


@pytest.fixture
def out(tmp_path: Path) -> Path:
    with Store(tmp_path) as store:
        run = store.start_run(settings_sha256="s", model_sha256="m", engine="openvino")
        for key, scan in zip(KEYS, SCANS, strict=True):
            store.save_scan(key, scan)
        for exam in EXAMS:
            store.save_exam(exam, run)
        store.save_refusal("d" * 64, "it crashed")
        store.finish_run(run, RunOutcome.DONE)
    return tmp_path


def change(out: Path, statement: str) -> None:
    with closing(sqlite3.connect(database_path(out))) as connection, connection:
        connection.execute(statement)


@pytest.mark.parametrize("column", ["animal", "date", "fingerprint", "document", "files", "run", "sha256"])
def test_a_damaged_exam_counts_as_absent_and_is_removed_by_name(out: Path, column: str) -> None:
    if column == "run":
        change(out, "INSERT INTO runs SELECT 9, started, ended, 's', 'm', 'torch', outcome, sha256 FROM runs")
    change(out, f"UPDATE exams SET {column} = {9 if column == 'run' else repr('2026-05-15')} WHERE animal = 'AF-0001'")
    (problem, *_) = check_rows(database_of(out))
    assert "exam " in problem
    assert "damaged on the disk" in problem
    with Store(out) as store:
        sound = [EXAMS[0], EXAMS[2]]
        assert list(store.exams()) == sound
        assert store.exam("AF-0001", "2026-05-14") is None
        assert store.exams_of({"AF-0001"}) == []
        assert store.engine_name("AF-0001", "2026-05-14") is None
        removed = store.remove_damaged_rows()
        assert removed[0].exam is not None
        assert all(row.is_removed for row in removed)
        assert store.remove_damaged_rows() == []
        assert list(store.exams()) == sound
    assert check_rows(database_of(out)) == []


@pytest.mark.parametrize(
    "statement",
    [
        "UPDATE scans SET archive = x'00' WHERE identity = 2",
        "UPDATE scans SET archive = CAST(archive AS TEXT) WHERE identity = 2",
        "UPDATE scans SET sha256 = '' WHERE identity = 2",
        "UPDATE pictures SET jpeg = x'00' WHERE scan = 2",
        "UPDATE pictures SET ellipse = CAST(x'ff00' AS TEXT) WHERE scan = 2",
        "UPDATE pictures SET frame = 8 WHERE scan = 2",
        "UPDATE pictures SET track = 8 WHERE scan = 2",
        "UPDATE pictures SET scan = 9 WHERE scan = 2",
        "DELETE FROM pictures WHERE scan = 2",
    ],
)
def test_a_damaged_scan_counts_as_absent_and_can_be_stored_again(out: Path, statement: str) -> None:
    change(out, statement)
    assert any(KEYS[1].clip_sha256 in problem for problem in check_rows(database_of(out)))
    with Store(out) as store:
        assert [store.scan(key) for key in KEYS] == [SCANS[0], None, SCANS[2]]
        assert KEYS[1].clip_sha256 in {row.clip_sha256 for row in store.remove_damaged_rows()}
        store.save_scan(KEYS[1], SCANS[1])
        assert [store.scan(key) for key in KEYS] == SCANS
        assert store.remove_damaged_rows() == []


def test_a_damaged_refusal_counts_as_absent(out: Path) -> None:
    change(out, "UPDATE refusals SET reason = 'it works'")
    with Store(out) as store:
        assert store.refusal("d" * 64) is None


def test_exams_of_a_damaged_run_count_as_absent_and_it_is_removed_with_them(out: Path) -> None:
    change(out, "UPDATE runs SET engine = 'torch'")
    with Store(out) as store:
        assert store.engine_name("AF-0001", "2026-05-14") is None
        assert [row.exam for row in store.remove_damaged_rows()] == [
            *((exam.animal, exam.date) for exam in EXAMS),
            None,
        ]
        assert store.remove_damaged_rows() == []


def read_all(out: Path) -> object:
    with Store(out) as store:
        exams = [store.exam(exam.animal, exam.date) for exam in EXAMS]
        engines = [store.engine_name(exam.animal, exam.date) for exam in EXAMS]
        return [store.scan(key) for key in KEYS], list(store.exams()), exams, engines, store.refusal("d" * 64)


def test_no_flipped_bit_is_used(out: Path) -> None:
    """Whatever is read is as it was stored, or absent."""
    sound, content, rng = read_all(out), database_path(out).read_bytes(), random.Random(17)
    kept = {repr(each) for each in (*SCANS, *EXAMS, "openvino", "it crashed", None)}
    noticed = 0
    for _ in range(100):
        place, bit = rng.randrange(len(content)), rng.randrange(8)
        flipped = bytearray(content)
        flipped[place] ^= 1 << bit
        database_path(out).write_bytes(flipped)
        try:
            scans, exams, *each, refusal = read = read_all(out)  # type: ignore[misc]
            assert {repr(one) for one in (*scans, *exams, *each[0], *each[1], refusal)} <= kept, (place, bit)
            noticed += read != sound
        except StoreError:
            noticed += 1
        for side_file in out.glob("clutchlight.sqlite-*"):
            side_file.unlink()
    assert noticed > 20


@pytest.mark.parametrize("table", TABLES, ids=lambda table: table.__tablename__)
def test_no_other_row_is_looked_at_to_verify_one(out: Path, table: type[Table]) -> None:
    for statement in (select(table), delete(table)):
        one_row = statement.where(is_row(table, 1)).compile(
            dialect=sqlite.dialect(), compile_kwargs={"literal_binds": True}
        )
        with closing(sqlite3.connect(database_path(out))) as connection:
            steps = [step for *_, step in connection.execute(f"EXPLAIN QUERY PLAN {one_row}")]
        assert steps
        assert not [step for step in steps if step.startswith("SCAN")]
