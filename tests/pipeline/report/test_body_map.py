"""The map of the animal: every egg in its place."""

from __future__ import annotations

import math
import re
from dataclasses import replace
from itertools import combinations
from typing import TYPE_CHECKING
from xml.etree import ElementTree

import pytest

from pipeline.report.body_map import BODY_BOX, HEIGHT, STAGE_DASH_ARRAYS, WIDTH, body_map, body_map_svg, body_map_text

if TYPE_CHECKING:
    from pipeline.exams.exam import Exam
    from pipeline.report.body_map import BodyMap
    from tests.pipeline.report.example_exams import ExampleExam


def with_probe_direction(exam: Exam, direction: str | None) -> Exam:
    return replace(exam, clips=tuple(replace(clip, hand=direction) for clip in exam.clips))  # type: ignore[arg-type]


def map_of(example: ExampleExam, direction: str | None) -> BodyMap:
    found = body_map(with_probe_direction(example.exam, direction), example.finding, example.scans)
    assert found is not None
    return found


def mirrored(example: ExampleExam) -> ExampleExam:
    """The same exam seen through the other window."""
    other = {"left": "right", "right": "left"}
    scans = tuple(replace(scan, window=other.get(scan.window or "")) for scan in example.scans)
    return replace(example, scans=scans)


def test_deeper_eggs_are_further_from_their_window(clutch: ExampleExam) -> None:
    found = map_of(clutch, "tail to head")
    assert [egg.window for egg in found.eggs] == ["left"] * 8  # the left clip has the better picture of each
    edge = BODY_BOX[0] + BODY_BOX[2]
    inward = {egg.identity: edge - egg.x for egg in found.eggs}
    depths = {egg.identity: egg.depth_mm or 0.0 for egg in clutch.finding.eggs}
    deepest, shallowest = max(depths, key=lambda k: depths[k]), min(depths, key=lambda k: depths[k])
    assert inward[deepest] > inward[shallowest] + 0.05
    assert clutch.exam.carapace_width_mm is not None
    # Circles may be moved apart by about their size.
    assert inward[1] == pytest.approx(BODY_BOX[2] * depths[1] / clutch.exam.carapace_width_mm, abs=0.09)
    assert all(egg.x < 0.5 for egg in map_of(mirrored(clutch), "tail to head").eggs if inward[egg.identity] < 0.3)


def test_the_direction_of_the_probe_shows_which_end_is_the_tail(clutch: ExampleExam) -> None:
    headward, tailward = map_of(clutch, "tail to head"), map_of(clutch, "head to tail")
    order = [egg.identity for egg in headward.eggs]
    assert order == sorted(order)  # the eggs came into view in the order of their numbers
    assert [egg.identity for egg in tailward.eggs] == order[::-1]
    tail, head = headward.eggs[0], headward.eggs[-1]
    assert tail.y > head.y
    assert headward.is_directed


def test_the_map_as_text(clutch: ExampleExam) -> None:
    text = body_map_text(map_of(clutch, "head to tail"))
    assert text.startswith("Left window, from the tail end: 8 (")
    assert "swapped" not in text
    unknown = body_map_text(map_of(clutch, None))
    assert unknown.startswith("Left window, in the order of the sweep: 1 (")
    assert "the tail end and the head end may be swapped" in unknown


def test_without_a_window_no_egg_is_placed(without_scale: ExampleExam) -> None:
    assert body_map(without_scale.exam, without_scale.finding, without_scale.scans) is None
    scans = tuple(replace(scan, window="left") for scan in without_scale.scans)
    found = body_map(without_scale.exam, without_scale.finding, scans)
    assert found is not None
    assert "mm" not in body_map_text(found)


def test_eggs_of_an_unknown_window_are_listed(clutch: ExampleExam) -> None:
    left, right, refused = clutch.scans
    # Only the right clip has pictures of the first five eggs.
    hidden = replace(left, window=None, pictures={track: left.pictures[track] for track in (6, 7, 8)})
    found = body_map(clutch.exam, clutch.finding, (hidden, right, refused))
    assert found is not None
    assert [egg.identity for egg in found.eggs] == [1, 2, 3, 4, 5]
    assert body_map_text(found).endswith("Not on the map, because their window is unknown: 6, 7, 8.")


def test_depths_are_in_one_unit_if_only_one_clip_has_a_scale(clutch: ExampleExam) -> None:
    left, right, refused = clutch.scans
    # Eggs 6 to 8 are in the clip without a scale, eggs 1 to 5 in the one with a scale.
    unscaled = replace(left, mm_per_px=None, pictures={track: left.pictures[track] for track in (6, 7, 8)})
    found = body_map(clutch.exam, clutch.finding, (unscaled, right, refused))
    assert found is not None
    tracks = {scan.file: {track.identity: track for track in scan.tracks.tracks} for scan in (left, right)}
    depths_px = {
        egg.identity: tracks["right-1.mp4" if egg.identity <= 5 else "left-1.mp4"][egg.identity].depths_px.mean()
        for egg in found.eggs
    }
    inward = {
        egg.identity: egg.x - BODY_BOX[0] if egg.window == "right" else BODY_BOX[0] + BODY_BOX[2] - egg.x
        for egg in found.eggs
    }
    for egg in found.eggs:  # in proportion to the deepest; circles may be moved apart by about their size
        expected = 0.48 * BODY_BOX[2] * depths_px[egg.identity] / max(depths_px.values())
        assert inward[egg.identity] == pytest.approx(expected, abs=0.09)


def test_no_circle_hides_another(clutch: ExampleExam) -> None:
    first, *_ = clutch.finding.eggs
    crowd = replace(clutch.finding, eggs=tuple(replace(first, identity=k + 1) for k in range(12)))
    found = body_map(with_probe_direction(clutch.exam, None), crowd, clutch.scans)
    assert found is not None
    for one, other in combinations(found.eggs, 2):
        distance = math.hypot((one.x - other.x) * WIDTH, (one.y - other.y) * HEIGHT)
        assert distance > 1.5 * found.radius * WIDTH


def test_the_drawing_is_well_formed_and_has_a_description(clutch: ExampleExam) -> None:
    found = map_of(clutch, None)
    root = ElementTree.fromstring(body_map_svg(found))
    assert root.findtext("{*}desc") == body_map_text(found)
    numbers = [text.text for text in root.iter("{http://www.w3.org/2000/svg}text") if text.get("class") == "egg-number"]
    assert sorted(map(int, filter(None, numbers))) == list(range(1, 9))
    dash_counts = {
        stage: len(re.findall(f'stroke-dasharray="{dash}"', body_map_svg(found)))
        for stage, dash in STAGE_DASH_ARRAYS.items()
    }
    assert dash_counts == {"calcified": 6, "thin-shelled": 1, "follicle": 1}
