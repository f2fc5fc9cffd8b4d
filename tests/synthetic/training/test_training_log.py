"""The training log: one line per report, without lines of steps that are repeated."""

from __future__ import annotations

import csv
from pathlib import Path

from synthetic.training.training_log import TrainingLog


def test_every_report_is_a_line_with_gaps_for_what_was_not_measured(tmp_path: Path) -> None:
    log = TrainingLog(tmp_path / "run.csv", from_step=0)
    log.add({"step": 100, "loss": 1 / 3, "ap50": float("nan")})
    log.add({"step": 200, "loss": 0.25, "ap50": 0.5})
    assert (tmp_path / "run.csv").read_text(encoding="utf-8") == "step,loss,ap50\n100,0.333333,\n200,0.25,0.5\n"


def test_a_continued_run_removes_later_lines_and_a_new_one_all_lines(tmp_path: Path) -> None:
    path = tmp_path / "run.csv"
    first = TrainingLog(path, from_step=0)
    for step in (100, 200, 300):
        first.add({"step": step, "loss": 1.0})
    TrainingLog(path, from_step=200).add({"step": 300, "loss": 2.0})
    with path.open(newline="", encoding="utf-8") as file:
        assert [(row["step"], row["loss"]) for row in csv.DictReader(file)] == [
            ("100", "1"),
            ("200", "1"),
            ("300", "2"),
        ]
    TrainingLog(path, from_step=0).add({"step": 100, "loss": 3.0})
    assert path.read_text(encoding="utf-8") == "step,loss\n100,3\n"


def test_a_log_that_was_deleted_starts_at_the_continued_step(tmp_path: Path) -> None:
    TrainingLog(tmp_path / "run.csv", from_step=200).add({"step": 300, "loss": 2.0})
    assert (tmp_path / "run.csv").read_text(encoding="utf-8") == "step,loss\n300,2\n"
