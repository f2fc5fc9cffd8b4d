"""What the disk has changed in the store is noticed before a run, named, and computed again."""

from __future__ import annotations

import shutil
import sqlite3
from contextlib import closing
from pathlib import Path

import pytest

from pipeline.attacks.kills import without_run_time
from pipeline.batch.damaged_results import remove_damaged_results
from pipeline.batch.run import run_batch
from pipeline.batch.run_report import BatchReport
from pipeline.batch.workers import DetectorLoader
from pipeline.cli.exit_codes import ExitCode, batch_exit_code
from pipeline.settings import load_settings
from pipeline.store.seen_folders import SeenFolders
from pipeline.store.sqlite_database import database_path
from pipeline.store.store import Store, StoreError
from tests.pipeline.blob_finder import BlobFinder, write_exam_folder


@pytest.fixture(scope="module")
def filmed(tmp_path_factory: pytest.TempPathFactory) -> Path:
    root = tmp_path_factory.mktemp("filmed")
    write_exam_folder(root, "AF-0001", {"left-1.mp4": 2}, frames=16, seed=1)
    write_exam_folder(root, "AF-0002", {"left-1.mp4": 1}, frames=16, seed=11)
    return root


def run(root: Path, out: Path, load_detector: DetectorLoader = BlobFinder) -> BatchReport:
    return run_batch(root, out, load_settings(), load_detector)


def contents(out: Path) -> dict[str, bytes]:
    """Every file of the exams, and the index, by path."""
    paths = [*out.glob("AF-*/*/*"), out / "index.html", out / "summary.csv"]
    return {str(path.relative_to(out)): without_run_time(path.read_bytes()) for path in paths}


def damage(out: Path, statement: str) -> None:
    with closing(sqlite3.connect(database_path(out))) as connection, connection:
        connection.execute(statement)


def test_damaged_results_and_scans_are_computed_again_and_named(root: Path, tmp_path: Path) -> None:
    out = tmp_path / "out"
    run(root, out)
    before = contents(out)
    damage(out, "UPDATE exams SET document = replace(document, '1', '2') WHERE animal = 'AF-0001'")
    report = run(root, out)
    assert [(exam.status, exam.reason) for exam in report.exams] == [
        ("written", "its kept result was damaged on the disk, and was estimated anew."),
        ("unchanged", None),
    ]
    assert [clip.status for clip in report.clips] == ["kept", "kept"]
    assert contents(out) == before
    damage(out, "UPDATE scans SET archive = substr(archive, 1, 99) WHERE identity = 1")
    report = run(root, out)
    (read_again,) = [clip for clip in report.clips if clip.status == "read"]
    assert read_again.reason == "its kept scan was damaged on the disk, and the clip was read again."
    assert batch_exit_code(report) == ExitCode.DONE
    assert contents(out) == before
    assert [(clip.status, clip.reason) for clip in run(root, out).clips] == [("kept", None), ("kept", None)]


def test_a_store_that_cannot_be_verified_is_a_problem_and_the_run_goes_on(
    root: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    def fail(_: Store, parts: int, part: int) -> None:
        raise StoreError("the file is damaged")

    monkeypatch.setattr(Store, "remove_damaged_rows", fail)
    report = run(root, tmp_path / "out")
    assert [problem.reason for problem in report.problems] == ["the file is damaged"]
    assert [exam.status for exam in report.exams] == ["written", "written"]


def test_a_damaged_result_without_recordings_is_a_problem_that_names_the_exam(root: Path, tmp_path: Path) -> None:
    out = tmp_path / "out"
    run(root, out)
    shutil.rmtree(root / "AF-0001")
    damage(out, "UPDATE exams SET fingerprint = 'f' WHERE animal = 'AF-0001'")
    report = run(root, out)
    assert [problem.reason for problem in report.problems] == [
        "AF-0001 2026-05-14: its kept result was damaged on the disk, and is left out here. "
        "Run the batch over its recordings again."
    ]
    assert batch_exit_code(report) == ExitCode.SOME_UNUSABLE


@pytest.mark.parametrize(
    ("days", "rows", "parts"), [(30, 3_999, 1), (30, 20_000, 10), (30, 10**6, 30), (None, 10**6, 1)]
)
def test_of_many_rows_a_part_is_verified_each_night(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, days: int | None, rows: int, parts: int
) -> None:
    asked: list[int] = []
    monkeypatch.setattr(Store, "row_number", lambda _: rows)
    monkeypatch.setattr(Store, "remove_damaged_rows", lambda _, parts, part: asked.append(parts) or [])
    with Store(tmp_path) as store, closing(SeenFolders(tmp_path)) as seen:
        remove_damaged_results(store, seen, days)
        remove_damaged_results(store, seen, 0)
    assert asked == [parts]


def test_the_parts_of_all_nights_together_are_all_rows(root: Path, tmp_path: Path) -> None:
    out = tmp_path / "out"
    run(root, out)
    damage(out, "UPDATE exams SET fingerprint = 'f'")
    damage(out, "UPDATE scans SET archive = 'a'")
    with Store(out) as store:
        removed = [store.remove_damaged_rows(3, part) for part in range(3)]
    assert sum(map(len, removed)) == 4
    assert all(len(part) < 4 for part in removed)
