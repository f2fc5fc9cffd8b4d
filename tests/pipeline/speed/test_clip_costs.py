from __future__ import annotations

import json
import xml.etree.ElementTree as ElementTree
from pathlib import Path

import hypothesis.strategies as st
import numpy as np
import pytest
from hypothesis import given

from pipeline.cli.exit_codes import ExitCode
from pipeline.ingest.frame import ClipError
from pipeline.settings import load_settings
from pipeline.speed.clip_costs import BARE, ClipCosts, measure_clip
from pipeline.speed.night_costs import NightCosts, cluster_table, measure_night, nights_svg
from pipeline.speed.night_table import nights_table
from tests.pipeline.blob_finder import BlobFinder, write_exam_folder
from tests.pipeline.conftest import Clutchlight


def test_stages_add_up_and_each_has_a_line(tmp_path: Path) -> None:
    write_exam_folder(tmp_path, "AF-0001", {"left-1.mp4": 2})
    (clip,) = tmp_path.rglob("left-1.mp4")
    costs = measure_clip(clip, BlobFinder(), load_settings())
    assert costs.frames > 0
    assert all(ms >= 0 for ms in costs.ms_per_frame.values())
    assert 0 < costs.own_ms < costs.all_ms
    lines = costs.table().splitlines()
    assert len(lines) == 1 + 1 + len(costs.ms_per_frame) + 2 + 1


def test_ratios_are_those_of_the_sums() -> None:
    costs = ClipCosts(100, 25.0, "engine", {"network": 6.0, "decoding, brightness and colour": 3.0, "rest": 1.0}, 2.0)
    assert (costs.all_ms, costs.own_ms) == (pytest.approx(10.0), pytest.approx(1.0))
    assert costs.table().splitlines()[-1] == "5.0 times bare decoding; 4.0 times real time for each processor"
    assert f"{BARE:<34}    2.00" in costs.table()


def test_a_clip_that_cannot_be_read_is_an_error(tmp_path: Path) -> None:
    (tmp_path / "left-1.mp4").write_text("no video")
    with pytest.raises(ClipError):
        measure_clip(tmp_path / "left-1.mp4", BlobFinder(), load_settings())


def test_the_command_measures_the_clip_and_the_exams_asked_for(tmp_path: Path, clutchlight: Clutchlight) -> None:
    write_exam_folder(tmp_path, "AF-0001", {"left-1.mp4": 2})
    (clip,) = tmp_path.rglob("left-1.mp4")
    options = ["--tracks", 12, "--network-rate", 12, "--network-rate", 2.5]
    result = clutchlight("bench", "speed", clip, *options, "--json", "--quiet")
    document = json.loads(result.stdout)
    assert (result.code, [clip["frames"] for clip in document["clips"]]) == (ExitCode.DONE, [40, 40])
    (exam,) = document["exams"]
    assert exam["tracks"] == pytest.approx(12, abs=4)
    assert document["network"]["reached_share"] > 0


def test_a_night_is_measured_with_its_workers(tmp_path: Path) -> None:
    write_exam_folder(tmp_path, "AF-0001", {"left-1.mp4": 2, "right-1.mp4": 1})
    night = measure_night(tmp_path, BlobFinder, load_settings())
    assert (night.clips, night.frames) == (2, 80)
    assert night.worker_mib > 0
    assert night.cores_used == pytest.approx(night.processor_s / night.seconds)
    assert 0 < night.reading_s < night.seconds


def test_the_table_says_how_fast_a_night_is_and_how_fast_it_could_be() -> None:
    """1,000 frames in 20 s, of which reading took 10 s, at 30 ms of two cores each; bare decoding takes 3 ms."""
    night = NightCosts(4, 1000, 20.0, 30.0, 1.0, 300, cores=2, reading_s=10.0, network_frames_per_second=8)
    heading, row, bare = nights_table([night], 25.0, bare_ms_per_frame=3.0).splitlines()
    assert " ".join(row.split()) == "8/s 4 1,000 20.0 50 100 2.0 2.7 30.00 10.0 1.5 of 2 300"
    assert bare == "bare decoding with all 2 cores: 667 frames/s, 26.7 times real time"
    assert len(heading) == len(row)


@pytest.mark.parametrize("night", ["10", "x4", "3x0", "ax2"])
def test_a_night_is_a_number_of_clips_and_their_length(night: str, clutchlight: Clutchlight) -> None:
    result = clutchlight("bench", "speed", "clip.mp4", "--night", night)
    assert result.code == ExitCode.USAGE
    assert "such as 10x4" in result.stderr


def test_costs_that_grow_with_the_frames_are_a_straight_line() -> None:
    nights = [NightCosts(1, frames, frames / 50, frames / 40, 0.0, 300) for frames in (1000, 100, 10_000)]
    root = ElementTree.fromstring(nights_svg(nights))
    processor, clock, memory = (
        [tuple(map(float, point.split(","))) for point in line.attrib["points"].split()]
        for line in root.iter("{http://www.w3.org/2000/svg}polyline")
    )
    for (x0, y0), (x1, y1), (x2, y2) in (processor, clock):
        assert x0 < x1 < x2
        assert (x1 - x0, x2 - x1) == pytest.approx((y0 - y1, y1 - y2), abs=0.3)
    assert len({y for _, y in memory}) == 1


def test_a_plot_needs_nights(tmp_path: Path, clutchlight: Clutchlight) -> None:
    result = clutchlight("bench", "speed", "clip.mp4", "--plot", tmp_path / "costs.svg")
    assert result.code == ExitCode.USAGE
    assert "--night" in result.stderr


def hours(*nights: NightCosts) -> list[list[float]]:
    """The figures of the table, for 100 hours of clips."""
    rows = cluster_table(nights, 100.0, 25.0).splitlines()[1:]
    return [[float(cell.replace(",", "")) for cell in row.split()] for row in rows]


def test_a_night_on_many_cores_takes_as_long_as_its_slower_part() -> None:
    """Nine million frames, each of which takes 40 ms to read, and 1.1 ms to write."""
    night = NightCosts(clips=1, frames=900, seconds=1.0, processor_s=37.0, own_s=1.0, worker_mib=1)
    assert hours(night) == [[10, 10.0, 2.78, 10.0], [100, 1.0, 2.78, 2.78], [1000, 0.1, 2.78, 2.78]]


@given(every_s=st.floats(0, 100), ms=st.floats(1, 100), own_share=st.floats(0, 1))
def test_what_every_night_costs_is_left_out_where_there_are_several(
    every_s: float, ms: float, own_share: float
) -> None:
    def night(frames: int, every_s: float) -> NightCosts:
        s = frames * ms / 1e3
        return NightCosts(1, frames, s, every_s + s, every_s + own_share * s, 1)

    several = [night(frames, every_s) for frames in (1000, 9000, 200)]
    np.testing.assert_allclose(hours(*several), hours(night(9000, 0.0)), atol=0.02, rtol=1e-6)
