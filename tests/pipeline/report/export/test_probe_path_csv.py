"""``CLIP.path.csv``: a line for each frame, with turns of the probe."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from pipeline.report.export.probe_path_csv import probe_path_lines
from pipeline.track.probe_path import ProbePath
from pipeline.track.probe_turns import ProbeTurn
from tests.pipeline.report.example_exams import ExampleExam

PATH = ProbePath(np.array([0, 1, 3, 4]), np.array([0.0, 1, 2, 3]), np.array([[0.0, 0], [0.5, -1], [1, -2], [1.25, -2]]))


def written(clutch: ExampleExam, path: ProbePath | None, *turns: ProbeTurn) -> list[str]:
    scan = replace(clutch.scans[0], tracks=replace(clutch.scans[0].tracks, path=path, turns=turns))
    return b"".join(probe_path_lines(scan)).decode().splitlines()


def test_a_line_for_each_frame_whose_position_is_known(clutch: ExampleExam) -> None:
    assert written(clutch, PATH) == [
        "frame,along,x_px,y_px",
        "0,0.000,0.00,0.00",
        "1,1.000,0.50,-1.00",
        "3,2.000,1.00,-2.00",
        "4,3.000,1.25,-2.00",
    ]


def test_positions_decrease_after_a_likely_turn(clutch: ExampleExam) -> None:
    turn = ProbeTurn(1.0, np.array([0.0, 1]), np.array([3.0, 1]), 2.0)
    assert [line.split(",")[1] for line in written(clutch, PATH, turn)[1:]] == ["0.000", "1.000", "0.000", "-1.000"]
    unlikely = written(clutch, PATH, replace(turn, log_odds=-0.5))
    assert unlikely == written(clutch, PATH)


def test_a_clip_without_a_path_has_no_lines(clutch: ExampleExam) -> None:
    assert written(clutch, None) == []
