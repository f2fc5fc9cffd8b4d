"""The best frame of each track is kept, whatever frames come before and after it."""

from __future__ import annotations

import cv2
import numpy as np
from numpy.typing import NDArray

from pipeline.detect.detector import Detections
from pipeline.ingest.frame import Frame
from pipeline.scan.best_frames import ENCODE_AFTER_FRAMES, BestFrames
from pipeline.scan.frame_consumer import TrackedFrame
from pipeline.track.tracker import TrackUpdate

MASK = np.zeros((64, 80), bool)
MASK[8:56, 10:70] = True


def frame(index: int, grey: int) -> Frame:
    return Frame(index, index / 25, np.full((64, 80), grey, np.uint8))


def detections(index: int, count: int) -> Detections:
    ellipses = np.array([[20.0 + index, 30.0, 9.0, 6.0, row] for row in range(count)]).reshape(-1, 5)
    unknown = np.full((count, 2), np.nan)
    return Detections(index, ellipses, np.zeros(count), np.full((count, 3), 1 / 3), np.full(count, 0.9), unknown)


def show(
    best_frames: BestFrames, index: int, grey: int, is_best_view: dict[int, bool], dropped: tuple[int, ...] = ()
) -> None:
    """One frame of an even grey. is_best_view : by track, in the order of the detections"""
    update = TrackUpdate(np.array(list(is_best_view), np.int64), np.array(list(is_best_view.values()), bool), dropped)
    best_frames.add_frame(TrackedFrame(frame(index, grey), detections(index, len(is_best_view)), update, False))


def decoded(jpeg: bytes) -> NDArray[np.uint8]:
    return np.asarray(cv2.imdecode(np.frombuffer(jpeg, np.uint8), cv2.IMREAD_UNCHANGED), np.uint8)


def test_the_last_improvement_is_kept_with_its_outline() -> None:
    best_frames = BestFrames(MASK)
    show(best_frames, 0, 100, {1: True})
    show(best_frames, 1, 150, {2: False, 1: True})
    show(best_frames, 2, 200, {1: False})
    picture = best_frames.finish({1: 4})[4]
    assert (picture.frame, picture.ellipse) == (1, (21.0, 30.0, 9.0, 6.0, 1.0))
    assert abs(int(decoded(picture.jpeg)[32, 40]) - 150) <= 2


def test_everything_outside_the_sector_is_black() -> None:
    best_frames = BestFrames(MASK)
    show(best_frames, 0, 255, {1: True})
    picture = decoded(best_frames.finish({1: 1})[1].jpeg)
    assert picture.shape == (64, 80)
    assert picture[:4].max() < 10
    assert picture[16:48, 18:62].min() > 245


def test_a_picture_encoded_early_equals_one_encoded_at_the_end() -> None:
    early, late = BestFrames(MASK), BestFrames(MASK)
    for best_frames in (early, late):
        show(best_frames, 0, 77, {1: True})
    for index in range(1, 3 * ENCODE_AFTER_FRAMES):
        show(early, index, 10, {})
    assert early.finish({1: 1}) == late.finish({1: 1})


def test_only_a_few_frames_are_held_uncompressed() -> None:
    best_frames = BestFrames(MASK)
    for index in range(200):
        show(best_frames, index, 100, {index + 1: True})
    uncompressed = sum(masked.grey is not None for masked, _ in best_frames._best.values())
    assert uncompressed <= ENCODE_AFTER_FRAMES


def test_dropped_and_unconfirmed_tracks_leave_no_picture() -> None:
    best_frames = BestFrames(MASK)
    show(best_frames, 0, 100, {1: True, 2: True, 3: True})
    show(best_frames, 1, 100, {}, dropped=(2, 99))
    assert sorted(best_frames._best) == [1, 3]
    assert list(best_frames.finish({3: 1})) == [1]


def test_a_detection_without_a_track_leaves_no_picture() -> None:
    best_frames = BestFrames(MASK)
    show(best_frames, 0, 100, {0: True})
    assert best_frames.finish({}) == {}
    assert best_frames._best == {}
