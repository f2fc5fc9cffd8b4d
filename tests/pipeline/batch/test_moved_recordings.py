"""Recordings that were archived keep their results, and the sheet says where they were."""

from __future__ import annotations

import json
import shutil
from pathlib import Path
from typing import Any

import pytest

from pipeline.batch.run import run_batch
from pipeline.batch.run_report import BatchReport
from pipeline.settings import load_settings
from tests.pipeline.blob_finder import BlobFinder, write_exam_folder

SETTINGS = load_settings()
EXAM = "AF-0001/2026-05-14"


@pytest.fixture(scope="module")
def filmed(tmp_path_factory: pytest.TempPathFactory) -> Path:
    root = tmp_path_factory.mktemp("filmed")
    for number in (1, 2, 3):
        write_exam_folder(root, f"AF-000{number}", {"left-1.mp4": number}, frames=16, seed=number)
    return root


def night(root: Path, out: Path) -> BatchReport:
    return run_batch(root, out, SETTINGS, BlobFinder, network_key="one")


def result(out: Path) -> dict[str, Any]:
    document: dict[str, Any] = json.loads((out / EXAM / "result.json").read_text())
    return document


def codes(out: Path) -> set[str]:
    return {flag["code"] for flag in result(out)["flags"]}


def test_sheet_says_that_the_recordings_were_moved_until_they_are_back(root: Path, tmp_path: Path) -> None:
    out = tmp_path / "out"
    night(root, out)
    before, files = result(out), sorted(path.name for path in (out / EXAM).iterdir())
    shutil.move(root / "AF-0001", tmp_path / "archive")
    assert night(root, out).problems == ()
    assert "recordings-moved" in codes(out)
    assert {**result(out), "flags": None} == {**before, "flags": None}
    assert sorted(path.name for path in (out / EXAM).iterdir()) == files
    assert "Her recordings are no longer in" in (out / EXAM / "report.html").read_text()
    assert "recordings-moved" in (out / "summary.csv").read_text()
    written = (out / EXAM / "report.html").stat().st_mtime_ns
    night(root, out)
    assert (out / EXAM / "report.html").stat().st_mtime_ns == written
    shutil.move(tmp_path / "archive", root / "AF-0001")
    assert night(root, out).problems == ()
    assert result(out) == before


def test_a_drive_that_is_missing_changes_nothing(root: Path, tmp_path: Path) -> None:
    out = tmp_path / "out"
    night(root, out)
    sheets = {path: path.read_bytes() for path in out.rglob("report.html")}
    for animal in ("AF-0001", "AF-0002", "AF-0003"):
        shutil.rmtree(root / animal)
    reasons = " ".join(problem.reason for problem in night(root, out).problems)
    assert "3 of 3 exam folders are gone. Is the drive connected?" in reasons
    assert {path: path.read_bytes() for path in sheets} == sheets


def test_another_folder_of_recordings_is_no_sign_that_the_first_was_moved(root: Path, tmp_path: Path) -> None:
    out, second = tmp_path / "out", tmp_path / "second"
    night(root, out)
    write_exam_folder(second, "AF-0009", {"left-1.mp4": 1}, frames=16, seed=9)
    assert night(second, out).problems == ()
    assert "recordings-moved" not in codes(out)
