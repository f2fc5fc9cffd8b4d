"""Sizes of follicles in words."""

from __future__ import annotations

from dataclasses import replace

import pytest
from hypothesis import given
from hypothesis import strategies as st

from pipeline.estimate.results import EggFinding
from pipeline.report.follicle_text import follicle_class_text, follicle_sizes_text, follicles_only_text


def follicle(diameter_mm: float | None, error: float = 0.0) -> EggFinding:
    """error : as a share of the diameter"""
    size = dict.fromkeys(("length_mm", "width_mm"), diameter_mm)
    ends = None if diameter_mm is None else ((1 - error) * diameter_mm, (1 + error) * diameter_mm)
    intervals = dict.fromkeys(("length_interval90_mm", "width_interval90_mm"), ends)
    return EggFinding(1, "follicle", 0.9, 0.9, "round", **size, **intervals, depth_mm=None, sightings=())


@pytest.mark.parametrize(
    ("diameter_mm", "error", "text"),
    [
        (6.0, 0.1, "small"),
        (8.0, 0.0, "medium"),
        (14.0, 0.1, "medium to large"),
        (30.0, 0.1, "large"),
        (10.0, 0.6, "small to large"),
        (None, 0.0, ""),
    ],
)
def test_a_class_that_the_range_leaves_open_is_named_with_its_neighbour(diameter_mm, error, text):
    assert follicle_class_text(follicle(diameter_mm, error)) == text


def test_the_diameter_is_that_of_a_circle_of_the_same_area():
    long = replace(follicle(None), length_mm=20.0, width_mm=5.0)
    assert follicle_class_text(long) == "medium"
    assert follicle_sizes_text([long]) == "1 medium; 10 mm across"


@given(st.lists(st.floats(1, 60), min_size=1, max_size=12))
def test_every_measured_follicle_is_in_one_class(diameters_mm):
    classes = follicle_sizes_text([follicle(each) for each in diameters_mm]).split(";")[0]
    assert sum(int(part.split()[0]) for part in classes.split(", ")) == len(diameters_mm)


def test_eggs_and_unmeasured_follicles_are_not_classed():
    egg = replace(follicle(30.0), stage="calcified")
    found = [egg, follicle(6.0), follicle(10.0), follicle(20.0), follicle(None)]
    assert follicle_sizes_text(found) == "1 small, 1 medium, 1 large; 6 to 20 mm across, median 10; 1 not measured"
    assert follicle_sizes_text([egg, follicle(None)]) == ""


def test_follicles_only_says_how_sure_it_is_and_how_she_was_scanned():
    text = follicles_only_text(0.83, "left window only", "1 clip; 280 of 300 frames usable (93 %)")
    assert text.startswith("83 % sure that the sweeps crossed follicles and no shelled egg. Scanned: left window only;")
    assert "None seen is never none" in text
