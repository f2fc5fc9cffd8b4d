"""What people reached elsewhere is shown with source and caveat, and only beside counts."""

from __future__ import annotations

import re

from pipeline.bench.yardsticks import load_yardsticks, yardstick_lines


def test_each_yardstick_has_its_source_and_caveat_in_the_text() -> None:
    text = re.sub(r"\s+", " ", " ".join(yardstick_lines()))
    yardsticks = load_yardsticks()
    assert len(yardsticks) >= 5
    for each in yardsticks:
        assert f"{each.source}. But: {each.caveat}." in text
    assert "Nothing here says that a program measured on simulated animals is better or worse" in text


def test_lines_are_as_long_as_those_of_the_tables() -> None:
    assert max(map(len, yardstick_lines())) <= 120
