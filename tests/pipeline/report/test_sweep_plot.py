"""The plot of when each egg was in view: every bar, band and label in its place."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING
from xml.etree import ElementTree
from xml.etree.ElementTree import Element

import numpy as np
import pytest

from pipeline.report.sweep_plot import CLIPS_PER_PANEL, LABELS_WIDTH, WIDTH, sweep_plot, sweep_plot_svg
from pipeline.track.probe_course import ProbeTurn, straight_course

if TYPE_CHECKING:
    from collections.abc import Sequence

    from pipeline.estimate.results import ExamFinding
    from pipeline.scan.clip_scan import ClipScan
    from tests.pipeline.report.example_exams import ExampleExam

SVG = "{http://www.w3.org/2000/svg}"


def drawings(finding: ExamFinding, scans: Sequence[ClipScan]) -> list[Element]:
    plot = sweep_plot(finding, scans)
    assert plot is not None
    return list(ElementTree.fromstring(f"<all>{sweep_plot_svg(plot)}</all>"))


def bars(root: Element) -> list[Element]:
    return [r for r in root.iter(f"{SVG}rect") if r.get("class") in ("calcified", "thin-shelled", "follicle")]


def test_every_sighting_is_a_bar(clutch: ExampleExam) -> None:
    (root,) = drawings(clutch.finding, clutch.scans)
    assert len(bars(root)) == sum(len(egg.sightings) for egg in clutch.finding.eggs)
    texts = [text.text for text in root.iter(f"{SVG}text")]
    assert "7 thin-shelled" in texts
    assert "left-1.mp4" in texts
    assert "right-2.mp4" not in texts  # refused: nothing to draw


def test_a_bar_is_where_the_egg_was_in_view(without_scale: ExampleExam) -> None:
    scan = without_scale.scans[0]
    (root,) = drawings(without_scale.finding, without_scale.scans)
    sighting = without_scale.finding.eggs[1].sightings[0]
    bar = bars(root)[1]
    room = WIDTH - LABELS_WIDTH
    assert float(bar.get("x") or "nan") == pytest.approx(
        LABELS_WIDTH + room * sighting.first_frame / scan.frames, abs=0.1
    )
    frames = sighting.last_frame + 1 - sighting.first_frame
    assert float(bar.get("width") or "nan") == pytest.approx(room * frames / scan.frames, abs=0.1)


def test_a_broken_line_is_where_the_hand_likely_turned(without_scale: ExampleExam) -> None:
    scan = without_scale.scans[0]
    course = replace(straight_course(scan.frames), turns=(ProbeTurn(100.0, 0.9), ProbeTurn(200.0, 0.4)))
    turned = replace(scan, tracks=replace(scan.tracks, courses=(course,)))
    (root,) = drawings(without_scale.finding, [turned, *without_scale.scans[1:]])
    (line,) = (path.get("d") or "" for path in root.iter(f"{SVG}path") if path.get("class") == "turn")
    room = WIDTH - LABELS_WIDTH
    assert float(line[1:].split()[0]) == pytest.approx(LABELS_WIDTH + room * 100.5 / scan.frames, abs=0.1)


def test_the_band_shows_the_used_frames(without_scale: ExampleExam) -> None:
    scan = without_scale.scans[0]  # 300 frames, 120 to 139 not used
    (root,) = drawings(without_scale.finding, without_scale.scans)
    used = [r for r in root.iter(f"{SVG}rect") if r.get("class") == "used"]
    room = WIDTH - LABELS_WIDTH
    assert len(used) == 2
    assert float(used[0].get("width") or "nan") == pytest.approx(room * 120 / scan.frames, abs=3)
    assert float(used[1].get("x") or "nan") == pytest.approx(LABELS_WIDTH + room * 140 / scan.frames, abs=3)


def test_nothing_is_drawn_outside(clutch: ExampleExam) -> None:
    for root in drawings(clutch.finding, clutch.scans):
        for rect in root.iter(f"{SVG}rect"):
            if rect.get("x"):
                assert float(rect.get("x") or "nan") + float(rect.get("width") or "nan") <= WIDTH + 0.2


def test_many_clips_are_broken_into_drawings(clutch: ExampleExam) -> None:
    scan = clutch.scans[0]
    many = [replace(scan, file=f"left-{n}.mp4") for n in range(2 * CLIPS_PER_PANEL + 1)]
    assert len(drawings(clutch.finding, many)) == 3


def test_names_are_escaped(clutch: ExampleExam) -> None:
    hostile = "<script>&.mp4"
    scans = [replace(clutch.scans[0], file=hostile)]
    egg = clutch.finding.eggs[0]
    seen = tuple(replace(s, clip=hostile) for s in egg.sightings)
    finding = replace(clutch.finding, eggs=(replace(egg, sightings=seen),))
    (root,) = drawings(finding, scans)
    assert f"{hostile} (left)" in [text.text for text in root.iter(f"{SVG}text")]
    assert not list(root.iter(f"{SVG}script"))


def test_nothing_to_draw(empty: ExampleExam, refused: ExampleExam) -> None:
    assert sweep_plot(empty.finding, empty.scans) is None
    assert sweep_plot(refused.finding, refused.scans) is None


def test_one_single_frame(clutch: ExampleExam) -> None:
    scan = replace(clutch.scans[0], frames=1, used_frames=np.array([0]), frame_rate=None)
    (root,) = drawings(clutch.finding, [scan])
    assert "frame 1" in [text.text for text in root.iter(f"{SVG}text")]
