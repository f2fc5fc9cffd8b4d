"""What people reached elsewhere is shown with source and caveat, and only beside counts."""

from __future__ import annotations

import re

from pipeline.bench.yardsticks import load_oval_yardsticks, load_yardsticks, oval_yardstick_lines, yardstick_lines


def test_each_yardstick_has_its_source_and_caveat_in_the_text() -> None:
    text = re.sub(r"\s+", " ", " ".join(yardstick_lines()))
    yardsticks = load_yardsticks()
    assert len(yardsticks) >= 5
    for each in yardsticks:
        assert f"{each.source}. But: {each.caveat}." in text
    assert "Nothing here says that a program measured on simulated animals is better or worse" in text


def test_outlines_of_ovals_stand_apart_from_counts() -> None:
    (networks,) = load_oval_yardsticks()
    text = re.sub(r"\s+", " ", " ".join(oval_yardstick_lines()))
    assert f"{networks.source}. But: {networks.caveat}." in text
    assert networks not in load_yardsticks()


def test_lines_are_as_long_as_those_of_the_tables() -> None:
    assert max(map(len, [*yardstick_lines(), *oval_yardstick_lines()])) <= 120
