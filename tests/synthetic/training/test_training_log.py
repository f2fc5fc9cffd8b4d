"""The curves' file: one line a report, and nothing of a future that was taken back."""

from __future__ import annotations

import csv
from pathlib import Path

from synthetic.training.training_log import Curves


def test_every_report_is_a_line_with_gaps_where_nothing_was_measured(tmp_path: Path) -> None:
    curves = Curves(tmp_path / "run.csv", from_step=0)
    curves.add({"step": 100, "loss": 1 / 3, "ap50": float("nan")})
    curves.add({"step": 200, "loss": 0.25, "ap50": 0.5})
    assert (tmp_path / "run.csv").read_text(encoding="utf-8") == "step,loss,ap50\n100,0.333333,\n200,0.25,0.5\n"


def test_a_run_that_goes_on_forgets_what_came_after_and_a_new_one_everything(tmp_path: Path) -> None:
    path = tmp_path / "run.csv"
    first = Curves(path, from_step=0)
    for step in (100, 200, 300):
        first.add({"step": step, "loss": 1.0})
    Curves(path, from_step=200).add({"step": 300, "loss": 2.0})
    with path.open(newline="", encoding="utf-8") as file:
        assert [(row["step"], row["loss"]) for row in csv.DictReader(file)] == [
            ("100", "1"),
            ("200", "1"),
            ("300", "2"),
        ]
    Curves(path, from_step=0).add({"step": 100, "loss": 3.0})
    assert path.read_text(encoding="utf-8") == "step,loss\n100,3\n"


def test_curves_that_were_removed_begin_where_the_run_goes_on(tmp_path: Path) -> None:
    Curves(tmp_path / "run.csv", from_step=200).add({"step": 300, "loss": 2.0})
    assert (tmp_path / "run.csv").read_text(encoding="utf-8") == "step,loss\n300,2\n"
