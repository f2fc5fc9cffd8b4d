"""Several exams of one animal over several nights: each is held against those before it, whenever it is written."""

from __future__ import annotations

import datetime as dt
import json
from pathlib import Path
from typing import Any

import pytest

from pipeline.batch.run import run_batch
from pipeline.exams.outcomes import Outcome
from pipeline.settings import load_settings
from pipeline.store.store import Store
from tests.pipeline.blob_finder import BlobFinder, write_exam_folder

SETTINGS = load_settings()


@pytest.fixture
def root(tmp_path: Path) -> Path:
    """One animal with four eggs and then two, and another that had an exam on the same dates."""
    root = tmp_path / "root"
    for day, eggs in (("2026-05-14", 4), ("2026-05-18", 2)):
        folder = write_exam_folder(root, "AF-0001", {"left-1.mp4": eggs, "right-1.mp4": 1}, date=day, seed=eggs)
        side = folder / "exam.toml"
        side.write_text(f'species = "Testudo hermanni boettgeri"\n{side.read_text()}')
    write_exam_folder(root, "AF-0002", {"left-1.mp4": 0}, date="2026-05-18", seed=11)
    return root


def night(root: Path, out: Path) -> dict[str, str]:
    report = run_batch(root, out, SETTINGS, BlobFinder)
    return {f"{exam.animal} {exam.date}": exam.status for exam in report.exams}


def history(out: Path, day: str = "2026-05-18", animal: str = "AF-0001") -> dict[str, Any]:
    document: dict[str, Any] = json.loads((out / animal / day / "result.json").read_text())["history"]
    return document


def test_an_exam_is_held_against_the_one_before_it(root: Path, tmp_path: Path) -> None:
    night(root, tmp_path / "out")
    first, second = history(tmp_path / "out", "2026-05-14"), history(tmp_path / "out")
    assert [one["exam"] for one in second["exams"]] == ["2026-05-14", "2026-05-18"]
    assert first["change"] is None
    assert second["exams"][0] == first["exams"][0]
    change = second["change"]
    assert (change["since"], change["days"]) == ("2026-05-14", 4)
    then, now = (one["shelled"]["estimate"] for one in second["exams"])
    assert change["fewer"]["estimate"] == then - now != 0
    low, high = change["fewer"]["interval90"]
    assert low <= then - now <= high
    assert second["usual_clutch"]["range"] == [2, 15]  # Testudo hermanni: Animals 2021, 11(2), 478
    assert len(history(tmp_path / "out", animal="AF-0002")["exams"]) == 1


def test_what_was_told_since_is_taken_up_and_nothing_else_written_anew(root: Path, tmp_path: Path) -> None:
    out = tmp_path / "out"
    night(root, out)
    with Store(out) as store:
        store.add_outcomes(
            [
                Outcome("af-0001", "laid", dt.date(2026, 5, 15), 2),
                Outcome("AF-0001", "laid", dt.date(2026, 5, 30), 9),
                Outcome("AF-0002", "laid", dt.date(2026, 5, 30), 9),
            ]
        )
    assert night(root, out) == {
        "AF-0001 2026-05-14": "unchanged",
        "AF-0001 2026-05-18": "written",
        "AF-0002 2026-05-18": "unchanged",
    }
    assert history(out)["change"]["passed"] == {"number": 2, "all_counted": True}
    assert set(night(root, out).values()) == {"unchanged"}


def test_an_older_exam_that_comes_later_changes_those_after_it(root: Path, tmp_path: Path) -> None:
    night(root, tmp_path / "together")
    older, away = root / "AF-0001/2026-05-14", tmp_path / "away"
    older.rename(away)
    night(root, tmp_path / "apart")
    assert history(tmp_path / "apart")["change"] is None
    away.rename(older)
    assert night(root, tmp_path / "apart")["AF-0001 2026-05-18"] == "written"
    for name in ("result.json", "report.html", "report.pdf"):
        one, other = ((tmp_path / out / "AF-0001/2026-05-18" / name).read_bytes() for out in ("together", "apart"))
        assert one == other


def test_an_older_exam_is_remembered_when_its_recordings_are_gone(root: Path, tmp_path: Path) -> None:
    later = root / "AF-0001/2026-05-18"
    later.rename(tmp_path / "later")
    night(root, tmp_path / "out")
    (root / "AF-0001/2026-05-14").rename(tmp_path / "gone")
    (tmp_path / "later").rename(later)
    night(root, tmp_path / "out")
    assert history(tmp_path / "out")["change"]["since"] == "2026-05-14"
