"""Several exams of one animal: each is compared with the earlier ones, in whatever order they are written."""

from __future__ import annotations

import datetime as dt
import json
from contextlib import closing
from pathlib import Path
from typing import Any

import pytest

from pipeline.batch.run import run_batch
from pipeline.exams.outcomes import Outcome
from pipeline.people.journal import Journal
from pipeline.people.outcome_record import add_outcomes
from pipeline.settings import load_settings
from tests.pipeline.blob_finder import BlobFinder, write_exam_folder

SETTINGS = load_settings()


@pytest.fixture
def root(tmp_path: Path) -> Path:
    """One animal with four eggs and then two, and another one with an exam on the second date."""
    root = tmp_path / "root"
    for day, eggs in (("2026-05-14", 4), ("2026-05-18", 2)):
        folder = write_exam_folder(root, "AF-0001", {"left-1.mp4": eggs, "right-1.mp4": 1}, date=day, seed=eggs)
        side = folder / "exam.toml"
        side.write_text(f'species = "Testudo hermanni boettgeri"\n{side.read_text()}')
    write_exam_folder(root, "AF-0002", {"left-1.mp4": 0}, date="2026-05-18", seed=11)
    return root


def run(root: Path, out: Path) -> dict[str, str]:
    """The status of every exam, by animal and date."""
    report = run_batch(root, out, SETTINGS, BlobFinder)
    return {f"{exam.animal} {exam.date}": exam.status for exam in report.exams}


def history(out: Path, day: str = "2026-05-18", animal: str = "AF-0001") -> dict[str, Any]:
    document: dict[str, Any] = json.loads((out / animal / day / "result.json").read_text())["history"]
    return document


def test_exam_is_compared_with_the_one_before_it(root: Path, tmp_path: Path) -> None:
    run(root, tmp_path / "out")
    first, second = history(tmp_path / "out", "2026-05-14"), history(tmp_path / "out")
    assert [exam["exam"] for exam in second["exams"]] == ["2026-05-14", "2026-05-18"]
    assert first["change"] is None
    assert second["exams"][0] == first["exams"][0]
    change = second["change"]
    assert (change["since"], change["days"]) == ("2026-05-14", 4)
    then, now = (exam["shelled"]["estimate"] for exam in second["exams"])
    assert change["fewer"]["estimate"] == then - now != 0
    low, high = change["fewer"]["interval90"]
    assert low <= then - now <= high
    assert second["usual_clutch"]["range"] == [2, 15]  # Testudo hermanni: Animals 2021, 11(2), 478
    assert len(history(tmp_path / "out", animal="AF-0002")["exams"]) == 1


def test_new_outcomes_cause_only_the_exams_after_them_to_be_written_again(root: Path, tmp_path: Path) -> None:
    out = tmp_path / "out"
    run(root, out)
    with closing(Journal(out)) as journal:
        add_outcomes(
            journal,
            [
                Outcome("af-0001", "laid", dt.date(2026, 5, 15), 2),
                Outcome("AF-0001", "laid", dt.date(2026, 5, 30), 9),
                Outcome("AF-0002", "laid", dt.date(2026, 5, 30), 9),
            ],
        )
    assert run(root, out) == {
        "AF-0001 2026-05-14": "unchanged",
        "AF-0001 2026-05-18": "written",
        "AF-0002 2026-05-18": "unchanged",
    }
    assert history(out)["change"]["passed"] == {"number": 2, "all_counted": True}
    assert set(run(root, out).values()) == {"unchanged"}


def test_older_exam_that_is_added_later_changes_those_after_it(root: Path, tmp_path: Path) -> None:
    run(root, tmp_path / "together")
    older, away = root / "AF-0001/2026-05-14", tmp_path / "away"
    older.rename(away)
    run(root, tmp_path / "apart")
    assert history(tmp_path / "apart")["change"] is None
    away.rename(older)
    assert run(root, tmp_path / "apart")["AF-0001 2026-05-18"] == "written"
    for name in ("result.json", "report.html", "report.pdf"):
        together, apart = ((tmp_path / out / "AF-0001/2026-05-18" / name).read_bytes() for out in ("together", "apart"))
        assert together == apart


def test_older_exam_is_still_known_when_its_recordings_are_gone(root: Path, tmp_path: Path) -> None:
    later = root / "AF-0001/2026-05-18"
    later.rename(tmp_path / "later")
    run(root, tmp_path / "out")
    (root / "AF-0001/2026-05-14").rename(tmp_path / "gone")
    (tmp_path / "later").rename(later)
    run(root, tmp_path / "out")
    assert history(tmp_path / "out")["change"]["since"] == "2026-05-14"
