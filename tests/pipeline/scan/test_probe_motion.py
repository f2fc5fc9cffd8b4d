"""The motion of the probe over a clip, from its pictures to its course."""

from __future__ import annotations

import numpy as np
import pytest

from pipeline.detect.detector import Detections
from pipeline.ingest.frame import Frame
from pipeline.ingest.sector.sector import Sector
from pipeline.scan.frame_consumer import TrackedFrame
from pipeline.scan.probe_motion import ProbeMotion, ProbeMotionEstimator
from pipeline.track.tracker import TrackUpdate
from tests.pipeline.track.simulated_motion import HEIGHT, WIDTH, path, pictures_at

SECTOR = Sector("rectangle", np.ones((HEIGHT, WIDTH), bool), (0, 0, WIDTH, HEIGHT))


def motion_along(*corners: tuple[int, float]) -> ProbeMotion:
    """Of a clip with frames 0, 2, 4, ...; the corners count its pictures."""
    estimator = ProbeMotionEstimator(SECTOR, 50.0)
    no_rows = np.zeros((0, 5))
    for number, picture in enumerate(pictures_at(path(*corners))):
        index = 2 * number
        detections = Detections(index, no_rows, no_rows[:, 0], no_rows[:, :3], no_rows[:, 0], no_rows[:, :2])
        frame = Frame(index, None, picture)
        estimator.add_frame(TrackedFrame(frame, detections, TrackUpdate.of_no_detections(), False))
    return estimator.finish({})


def test_a_return_is_found_with_the_positions_of_all_frames() -> None:
    corners = (0, 0), (45, 90), (115, 0)
    course = motion_along(*corners).courses[0]
    (turn,) = course.turns
    assert turn.is_likely
    assert turn.frame == pytest.approx(90, abs=4)
    assert course.frames.tolist() == list(range(0, 232, 2))
    assert np.corrcoef(course.positions, path(*corners))[0, 1] > 0.98


def test_key_frames_are_kept_along_the_way() -> None:
    keys = motion_along((0, 0), (70, 90)).key_frames
    assert keys is not None
    assert set(keys.thumbnails.frames.tolist()) <= set(range(0, 142, 2))
    assert (keys.geometry.middle_xy, keys.geometry.depth_px) == (SECTOR.face_middle_xy, SECTOR.depth_range_px)


def test_a_clip_of_one_picture_has_no_course() -> None:
    assert motion_along((0, 0)) == ProbeMotion((), None)
