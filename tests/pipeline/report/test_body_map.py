from __future__ import annotations

import math
import re
from dataclasses import replace
from itertools import combinations
from typing import TYPE_CHECKING
from xml.etree import ElementTree

import pytest

from pipeline.report.body_map import BODY_BOX, HEIGHT, WIDTH, body_map, body_map_svg, body_map_text

if TYPE_CHECKING:
    from pipeline.exams.exam_search import Exam
    from pipeline.report.body_map import BodyMap
    from tests.pipeline.report.conftest import ExampleExam


def with_probe_direction(exam: Exam, hand: str | None) -> Exam:
    return replace(exam, clips=tuple(replace(clip, hand=hand) for clip in exam.clips))  # type: ignore[arg-type]


def mapped(invented: ExampleExam, hand: str | None) -> BodyMap:
    found = body_map(with_probe_direction(invented.exam, hand), invented.finding, invented.scans)
    assert found is not None
    return found


def mirrored(invented: ExampleExam) -> ExampleExam:
    """The same exam through the other window."""
    other = {"left": "right", "right": "left"}
    scans = tuple(replace(scan, window=other.get(scan.window or "")) for scan in invented.scans)
    return replace(invented, scans=scans)


def test_eggs_lie_by_their_window_and_deeper_ones_further_in(clutch: ExampleExam) -> None:
    found = mapped(clutch, "tail to head")
    assert [egg.window for egg in found.eggs] == ["left"] * 8  # of each the left clip has the better picture
    edge = BODY_BOX[0] + BODY_BOX[2]
    inward = {egg.identity: edge - egg.x for egg in found.eggs}
    depths = {egg.identity: egg.depth_mm or 0.0 for egg in clutch.finding.eggs}
    deepest, shallowest = max(depths, key=lambda k: depths[k]), min(depths, key=lambda k: depths[k])
    assert inward[deepest] > inward[shallowest] + 0.05
    assert clutch.exam.carapace_width_mm is not None
    # Circles may be pushed apart by about their size.
    assert inward[1] == pytest.approx(BODY_BOX[2] * depths[1] / clutch.exam.carapace_width_mm, abs=0.09)
    assert all(egg.x < 0.5 for egg in mapped(mirrored(clutch), "tail to head").eggs if inward[egg.identity] < 0.3)


def test_the_hand_says_which_end_is_the_tail(clutch: ExampleExam) -> None:
    headward, tailward = mapped(clutch, "tail to head"), mapped(clutch, "head to tail")
    order = [egg.identity for egg in headward.eggs]
    assert order == sorted(order)  # the eggs came into view in their order
    assert [egg.identity for egg in tailward.eggs] == order[::-1]
    tail, head = headward.eggs[0], headward.eggs[-1]
    assert tail.y > head.y
    assert headward.is_directed


def test_the_map_in_words(clutch: ExampleExam) -> None:
    words = body_map_text(mapped(clutch, "head to tail"))
    assert words.startswith("By her left window from the tail end: 8 (")
    assert "swapped" not in words
    unknown = body_map_text(mapped(clutch, None))
    assert unknown.startswith("By her left window in the order of the sweep: 1 (")
    assert "the tail end and the head end may be swapped" in unknown


def test_without_a_window_nothing_is_placed(without_scale: ExampleExam) -> None:
    assert body_map(without_scale.exam, without_scale.finding, without_scale.scans) is None
    scans = tuple(replace(scan, window="left") for scan in without_scale.scans)
    found = body_map(without_scale.exam, without_scale.finding, scans)
    assert found is not None
    assert "mm" not in body_map_text(found).replace("In brackets, how deep below the probe", "")


def test_eggs_of_an_unknown_window_are_named(clutch: ExampleExam) -> None:
    left, right, refused = clutch.scans
    # The right clip alone has pictures of the first five.
    hidden = replace(left, window=None, pictures={track: left.pictures[track] for track in (6, 7, 8)})
    found = body_map(clutch.exam, clutch.finding, (hidden, right, refused))
    assert found is not None
    assert [egg.identity for egg in found.eggs] == [1, 2, 3, 4, 5]
    assert body_map_text(found).endswith("Without a place, since the window is not told: 6, 7, 8.")


def test_no_circle_hides_another(clutch: ExampleExam) -> None:
    first, *_ = clutch.finding.eggs
    crowd = replace(clutch.finding, eggs=tuple(replace(first, identity=k + 1) for k in range(12)))
    found = body_map(with_probe_direction(clutch.exam, None), crowd, clutch.scans)
    assert found is not None
    for one, other in combinations(found.eggs, 2):
        distance = math.hypot((one.x - other.x) * WIDTH, (one.y - other.y) * HEIGHT)
        assert distance > 1.5 * found.radius * WIDTH


def test_the_drawing_is_well_formed_and_says_it_in_words(clutch: ExampleExam) -> None:
    found = mapped(clutch, None)
    root = ElementTree.fromstring(body_map_svg(found))
    assert root.findtext("{*}desc") == body_map_text(found)
    numbers = [text.text for text in root.iter("{http://www.w3.org/2000/svg}text") if text.get("class") == "egg-number"]
    assert sorted(map(int, filter(None, numbers))) == list(range(1, 9))
    dashes = {
        stage: len(re.findall(f'stroke-dasharray="{dash}"', body_map_svg(found)))
        for stage, dash in STAGE_DASH_ARRAYS.items()
    }
    assert dashes == {"calcified": 6, "thin-shelled": 1, "follicle": 1}


STAGE_DASH_ARRAYS = {"calcified": "none", "thin-shelled": "4 2.5", "follicle": "0.8 2.6"}
