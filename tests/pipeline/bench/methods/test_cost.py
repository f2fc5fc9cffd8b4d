"""What a method costs is measured in a process of its own."""

from __future__ import annotations

from functools import partial
from pathlib import Path

from pipeline.bench.ground_truth import open_data_set
from pipeline.bench.methods.cost import batch_cost, method_cost, read_cost, write_cost
from tests.pipeline.bench.data_set_files import DATE, SETTINGS, write_truth
from tests.pipeline.blob_finder import load_blob_finder, write_exam_folder


def test_ours_and_a_method_read_the_same_frames(tmp_path: Path) -> None:
    write_exam_folder(tmp_path / "set", "AF-1", {"left-1.mp4": 1}, date=DATE)
    write_truth(tmp_path / "set", [], frames=40)
    known = open_data_set(tmp_path / "set")
    peer = method_cost(known, "pipeline.bench.peers.hough_circles:find", {}, SETTINGS)
    ours = batch_cost(known, partial(load_blob_finder, "blobs", None, SETTINGS), SETTINGS)
    for cost in (peer, ours):
        assert cost is not None
        assert (cost.clips, cost.frames) == (1, 40)
        assert 0 < cost.processor_ms < 1000
        assert cost.clock_ms > 0
        assert 30 < cost.peak_mib < 4000
    assert read_cost(tmp_path) is None
    write_cost(tmp_path, ours)
    assert read_cost(tmp_path) == ours


def test_without_recordings_nothing_is_measured(tmp_path: Path) -> None:
    write_truth(tmp_path / "set", [])
    assert method_cost(open_data_set(tmp_path / "set"), "none:none", {}, SETTINGS) is None
