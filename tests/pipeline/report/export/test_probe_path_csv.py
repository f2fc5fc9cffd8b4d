"""``CLIP.path.csv``: a line for each frame with a position along the course of the hand."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from pipeline.report.export.probe_path_csv import probe_path_lines
from pipeline.track.probe_course import ProbeCourse, ProbeTurn
from tests.pipeline.report.example_exams import ExampleExam

FRAMES = np.array([0, 2, 4, 6, 8])
POSITIONS = np.array([0.0, 0.5, 0.25, -0.125, 0.3])
COURSE = ProbeCourse(
    FRAMES, POSITIONS, np.array([0.0, 1.26, -2, -6, 0]), (ProbeTurn(3, 0.9), ProbeTurn(6, 0.8)), 0.7, (320.0, 20.0)
)


def written(clutch: ExampleExam, *courses: ProbeCourse) -> list[str]:
    scan = replace(clutch.scans[0], tracks=replace(clutch.scans[0].tracks, courses=courses))
    return b"".join(probe_path_lines(scan)).decode().splitlines()


def test_the_pass_grows_by_one_at_each_turn(clutch: ExampleExam) -> None:
    assert written(clutch, COURSE) == [
        "frame,pass,position,in_plane_degrees",
        "0,1,0.000,0.0",
        "2,1,0.500,1.3",
        "4,2,0.250,-2.0",
        "6,3,-0.125,-6.0",
        "8,3,0.300,0.0",
    ]


def test_the_most_likely_reading_is_written(clutch: ExampleExam) -> None:
    other = replace(COURSE, turns=(), probability=0.3)
    assert written(clutch, COURSE, other) == written(clutch, COURSE) != written(clutch, other)


def test_a_clip_without_a_course_has_no_lines(clutch: ExampleExam) -> None:
    assert written(clutch) == []
