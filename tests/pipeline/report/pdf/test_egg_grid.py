"""The best views on paper: the less height there is, the less text stands below the pictures."""

from __future__ import annotations

import re
from typing import TYPE_CHECKING

import pypdfium2
import pytest

from pipeline.report.pdf.block import Block, one_page_pdf
from pipeline.report.pdf.egg_grid import egg_grid_block

if TYPE_CHECKING:
    from tests.pipeline.report.example_exams import ExampleExam

WIDTH = 533.0


def text_of(grid: Block) -> str:
    page = pypdfium2.PdfDocument(one_page_pdf(grid, "grid", "test"))[0]
    return re.sub(r"\s+", " ", page.get_textpage().get_text_bounded())


@pytest.mark.parametrize(
    ("height", "has_signs", "has_confidence"),
    [(400.0, True, True), (300.0, True, True), (245.0, False, True), (150.0, False, False), (110.0, False, False)],
)
def test_text_is_left_out_where_the_pictures_need_its_space(
    clutch: ExampleExam, height: float, has_signs: bool, has_confidence: bool
) -> None:
    content = clutch.content
    grid = egg_grid_block(content.eggs, content.legends, WIDTH, height)
    text = text_of(grid)
    assert grid.height <= height
    assert ("wall over 19 dB" in text) == ("“wall” is how much brighter" in text) == has_signs
    assert ("81 % sure it is one egg" in text) == ("“Sure it is one egg”" in text) == has_confidence
    assert all(f"{egg.identity} {egg.stage}" in text for egg in content.eggs)


def test_eggs_that_do_not_fit_are_counted(clutch: ExampleExam) -> None:
    content = clutch.content
    grid = egg_grid_block(content.eggs * 5, content.legends, WIDTH, 150.0)
    assert grid.height <= 150.0
    # Ten columns of 46.1 points: pictures of 34.6 with 20 for text and gap, so two rows fit.
    assert "and 20 more, see report.html" in text_of(grid)


def test_a_range_is_not_cut_off(clutch: ExampleExam) -> None:
    content = clutch.content
    grid = egg_grid_block((content.eggs * 2)[:12], content.legends, WIDTH, 350.0)
    text = text_of(grid)
    assert "wall over 19 dB" in text
    assert all(egg.size in text for egg in content.eggs)
