"""Stage and score of exported detections, decided by their objects."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING

import numpy as np
import pytest

from models.stages import STAGES
from pipeline.report.export.object_scores import object_scores

if TYPE_CHECKING:
    from pipeline.scan.clip_scan import ClipScan
    from tests.pipeline.report.example_exams import ExampleExam


def with_stages(scan: ClipScan, track: int, *stages: tuple[float, float, float]) -> ClipScan:
    """The scan with these stage probabilities in the frames of one track, repeated."""
    probabilities = scan.stage_probability.copy()
    own = scan.track == track
    probabilities[own] = np.resize(np.array(stages), (int(own.sum()), 3))
    return replace(scan, stage_probability=probabilities)


def test_what_was_counted_has_the_stage_it_was_counted_as(clutch: ExampleExam) -> None:
    egg = clutch.finding.eggs[0]
    scan = with_stages(clutch.scans[0], 1, (0.8, 0.05, 0.15))
    assert set(object_scores(clutch.finding, scan).stage[scan.track == 1]) == {STAGES.index(egg.stage)}


def test_other_objects_have_the_likeliest_stage_over_their_frames(clutch: ExampleExam) -> None:
    uncounted = replace(clutch.finding, eggs=clutch.finding.eggs[1:])
    scan = with_stages(clutch.scans[0], 1, (0.05, 0.9, 0.05), (0.05, 0.9, 0.05), (0.05, 0.3, 0.65))
    assert set(object_scores(uncounted, scan).stage[scan.track == 1]) == {1}


def test_only_what_was_counted_is_an_object(clutch: ExampleExam) -> None:
    scan = clutch.scans[0]
    counted = object_scores(clutch.finding, scan).objects[scan.track == 1]
    assert len(set(counted)) == 1
    assert counted[0] > 0
    uncounted = replace(clutch.finding, eggs=clutch.finding.eggs[1:])
    assert not object_scores(uncounted, scan).objects[scan.track == 1].any()


def test_the_score_joins_the_frame_the_track_and_the_exam(clutch: ExampleExam) -> None:
    scan, egg = clutch.scans[0], clutch.finding.eggs[0]
    own = scan.track == 1
    found = object_scores(clutch.finding, scan).score
    expected = np.cbrt(scan.score[own] * np.quantile(scan.score[own], 0.8) * egg.confidence)
    np.testing.assert_allclose(found[own], expected)
    without = object_scores(replace(clutch.finding, eggs=clutch.finding.eggs[1:]), scan).score
    np.testing.assert_allclose(without[own], expected * np.cbrt(0.4 / egg.confidence))


def test_what_belongs_to_no_track_is_an_object_of_its_own(clutch: ExampleExam) -> None:
    scan = clutch.scans[0]
    alone = scan.track == 0
    assert alone.any()
    scores = object_scores(clutch.finding, scan)
    assert scores.score[alone] == pytest.approx(np.cbrt(0.4 * scan.score[alone] ** 2))
    np.testing.assert_array_equal(scores.stage[alone], scan.stage_probability[alone].argmax(axis=1))
