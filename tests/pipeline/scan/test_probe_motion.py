"""The motion of the probe over a clip: its turns always, its path where it is requested."""

from __future__ import annotations

import numpy as np
import pytest

from pipeline.detect.detector import Detections
from pipeline.ingest.frame import Frame
from pipeline.ingest.sector.sector import Sector
from pipeline.scan.frame_consumer import TrackedFrame
from pipeline.scan.probe_motion import ProbeMotion, ProbeMotionEstimator
from pipeline.track.tracker import TrackUpdate
from tests.pipeline.track.test_probe_turns import HEIGHT, WIDTH, path, pictures_at

SECTOR = Sector("rectangle", np.ones((HEIGHT, WIDTH), bool), (0, 0, WIDTH, HEIGHT))


def motion_of_a_return(*, with_path: bool) -> ProbeMotion:
    """Frames 0, 2, 4, ...; the probe turns back at frame 90."""
    estimator = ProbeMotionEstimator(SECTOR, with_path=with_path)
    no_rows = np.zeros((0, 5))
    for number, picture in enumerate(pictures_at(path((0, 0), (45, 90), (115, 0)))):
        index = 2 * number
        detections = Detections(index, no_rows, no_rows[:, 0], no_rows[:, :3], no_rows[:, 0], no_rows[:, :2])
        frame = Frame(index, None, picture)
        estimator.add_frame(TrackedFrame(frame, detections, TrackUpdate.of_no_detections(), False))
    return estimator.finish({})


def test_turns_are_found_and_no_path_is_measured_unless_requested() -> None:
    motion = motion_of_a_return(with_path=False)
    (turn,) = (turn for turn in motion.turns if turn.is_likely)
    assert turn.frame == pytest.approx(90, abs=4)
    assert motion.path is None


def test_the_path_has_the_frames_of_the_clip() -> None:
    motion = motion_of_a_return(with_path=True)
    assert motion.path is not None
    assert motion.path.frames.tolist() == list(range(0, 232, 2))
    assert (np.diff(motion.path.distance) >= 0).all()
    assert motion.path.distance[-1] > 0
