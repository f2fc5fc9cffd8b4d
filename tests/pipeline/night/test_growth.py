"""The figures of growth are measured on folders that a real night takes for its own."""

from __future__ import annotations

import json
from pathlib import Path

from tests.pipeline.conftest import Clutchlight


def test_figures_of_few_exams(tmp_path: Path, clutchlight: Clutchlight) -> None:
    done = clutchlight("bench", "years", 3, 9, "--out", tmp_path, "--quiet")
    assert done.code == 0
    figures = json.loads((tmp_path / "years.json").read_text())
    assert [each["exams"] for each in figures] == [3, 9]
    assert all(value > 0 for each in figures for value in each.values())
    assert "| 9 |" in done.stdout
    assert not list((tmp_path / "synthetic").iterdir())
