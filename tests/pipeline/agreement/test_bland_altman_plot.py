"""The Bland-Altman plot: every pair where it belongs."""

from __future__ import annotations

import re
from xml.etree import ElementTree

import pytest

from pipeline.agreement.bland_altman_plot import NARROW_LAYOUT, WIDE_LAYOUT, PlotLayout, bland_altman_svg
from pipeline.agreement.limits_of_agreement import limits_of_agreement
from pipeline.agreement.pairs import MatchRule, Station, pair_exams_with_outcomes
from pipeline.formatting import format_signed
from tests.pipeline.agreement.conftest import exam, outcome


def plot(*pairs: tuple[int, int], layout: PlotLayout = WIDE_LAYOUT) -> ElementTree.Element:
    exams = [exam(1, estimate, animal=f"AF-{n}") for n, (estimate, _) in enumerate(pairs)]
    outcomes = [outcome("laid", 5, known, animal=f"AF-{n}") for n, (_, known) in enumerate(pairs)]
    found = pair_exams_with_outcomes(Station(exams, outcomes), MatchRule())
    limits = limits_of_agreement([pair.difference for pair in found])
    return ElementTree.fromstring(bland_altman_svg(found, limits, layout))


def places(svg: ElementTree.Element) -> list[tuple[str, float, float]]:
    return [(c.attrib["class"], float(c.attrib["cx"]), float(c.attrib["cy"])) for c in svg.iter("circle")]


def heights(svg: ElementTree.Element, kind: str) -> list[float]:
    found = [re.search(r" ([\d.]+)H", path.attrib["d"]) for path in svg.iter("path") if path.attrib["class"] == kind]
    return [float(match[1]) for match in found if match]


def test_marks_are_at_their_means_and_differences() -> None:
    svg = plot((8, 8), (6, 10), (4, 2))
    (zero,) = heights(svg, "zero")
    (mean,) = heights(svg, "mean")
    assert height_of_difference(svg, 2) < zero < mean  # too many eggs are further up
    assert mean == pytest.approx(zero + (zero - height_of_difference(svg, 2)) / 3, abs=0.2)  # -2 / 3 eggs on average
    first, *others = sorted(places(svg), key=lambda place: place[1])
    assert (first[0], first[2]) == ("outside", pytest.approx(height_of_difference(svg, 2), abs=0.2))  # 4 for 2
    assert others[0][1] == others[1][1] > first[1]  # means of 3, 8 and 8
    assert {(kind, round(y)) for kind, _, y in others} == {
        ("inside", round(zero)),  # 8 for 8
        ("outside", round(height_of_difference(svg, -4))),  # 6 for 10
    }


def height_of_difference(svg: ElementTree.Element, eggs: int) -> float:
    """The y of a difference, read off the labels of the axis."""
    labels = {
        label.text: float(label.attrib["y"]) - 4
        for label in svg.iter("text")
        if label.attrib.get("text-anchor") == "end"
    }
    return labels[format_signed(eggs)]


def test_limits_are_drawn_with_their_values() -> None:
    svg = plot((8, 8), (10, 8))
    assert len(heights(svg, "limit")) == 2
    ends = [label.text for label in svg.iter("text") if label.attrib.get("class") == "end"]
    assert ends == ["mean +1.0", "upper limit +3.8", "lower limit \N{MINUS SIGN}1.8"]
    assert heights(plot((8, 8), (7, 7)), "limit") == []  # both would be on the mean
    assert heights(plot((8, 8)), "limit") == heights(plot((8, 8)), "mean") == []


def test_pairs_in_one_position_are_one_mark_with_their_number() -> None:
    svg = plot((8, 8), (8, 8), (8, 8), (9, 9))
    assert len(places(svg)) == 2
    assert [label.text for label in svg.iter("text") if "number" in label.attrib.get("class", "")] == ["3"]


@pytest.mark.parametrize("layout", [WIDE_LAYOUT, NARROW_LAYOUT], ids=["desk", "phone"])
def test_all_marks_are_inside_the_plot(layout: PlotLayout) -> None:
    for pairs in ([], [(0, 0)], [(0, 200), (200, 0)], [(120, 119)] * 3):
        svg = plot(*pairs, layout=layout)
        _, _, width, height = map(float, svg.attrib["viewBox"].split())
        assert all(0 < x < width and 0 < y < height for _, x, y in places(svg))
        assert len(places(svg)) == len(set(pairs))


def test_on_a_phone_the_whole_plot_is_readable() -> None:
    """390 px less the page's margins: then one unit is one pixel, and nothing needs scrolling."""
    svg = plot((8, 8), (10, 8), (4, 12), layout=NARROW_LAYOUT)
    _, _, width, _ = map(float, svg.attrib["viewBox"].split())
    assert width == pytest.approx(390 - 2 * 14, abs=1)
    ends = [label for label in svg.iter("text") if label.attrib.get("class") == "end"]
    assert len(ends) == 3
    assert all(label.attrib["text-anchor"] == "end" and float(label.attrib["x"]) < width for label in ends)
