"""The figures of growth are measured on folders that a real night takes for its own."""

from __future__ import annotations

import json
from pathlib import Path
from xml.etree import ElementTree

from pipeline.night.growth import GrowthFigures
from pipeline.night.growth_plot import PLOTS, growth_svg
from tests.pipeline.conftest import Clutchlight


def test_figures_of_few_exams(tmp_path: Path, clutchlight: Clutchlight) -> None:
    done = clutchlight("bench", "years", 9, "--new", 2, "--out", tmp_path, "--quiet")
    assert done.code == 0
    figures = json.loads((tmp_path / "years.json").read_text())
    assert [each["exams"] for each in figures] == [9]
    assert all(value > 0 for each in figures for value in each.values())
    assert "| 9 |" in done.stdout
    assert not list((tmp_path / "synthetic").iterdir())
    drawn = ElementTree.parse(tmp_path / "years.svg")
    assert len(drawn.findall(".//{*}circle")) == len(PLOTS)


def test_a_figure_that_grows_with_the_exams_rises_by_a_field_for_each() -> None:
    figures = [GrowthFigures(exams, *[exams // 100] * 12) for exams in (1_000, 10_000, 100_000)]
    circles = ElementTree.fromstring(growth_svg(figures)).findall(".//{*}circle")
    places = [(float(circle.get("cx", "")), float(circle.get("cy", ""))) for circle in circles[:3]]
    assert places == [(0.0, 240.0), (120.0, 120.0), (240.0, 0.0)]
