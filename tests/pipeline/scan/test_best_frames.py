"""Of each track the best frame is kept, whatever streams by before and after it."""

from __future__ import annotations

import cv2
import numpy as np
from numpy.typing import NDArray

from pipeline.detect.detector import Detections
from pipeline.ingest.frame import Frame
from pipeline.scan.best_frames import ENCODE_AFTER_FRAMES, BestFrames

MASK = np.zeros((64, 80), bool)
MASK[8:56, 10:70] = True


def frame(index: int, grey: int) -> Frame:
    return Frame(index, index / 25, np.full((64, 80), grey, np.uint8))


def detections(index: int, count: int) -> Detections:
    ellipses = np.array([[20.0 + index, 30.0, 9.0, 6.0, row] for row in range(count)]).reshape(-1, 5)
    nothing = np.full((count, 2), np.nan)
    return Detections(index, ellipses, np.zeros(count), np.full((count, 3), 1 / 3), np.full(count, 0.9), nothing)


def show(best_frames: BestFrames, index: int, grey: int, improved: dict[int, bool]) -> None:
    tracks = np.array(list(improved), np.int64)
    better = np.array(list(improved.values()), bool)
    best_frames.add_frame(frame(index, grey), detections(index, len(tracks)), tracks, better)


def opened(jpeg: bytes) -> NDArray[np.uint8]:
    return np.asarray(cv2.imdecode(np.frombuffer(jpeg, np.uint8), cv2.IMREAD_UNCHANGED), np.uint8)


def test_the_last_improvement_is_kept_with_its_outline() -> None:
    best_frames = BestFrames(MASK)
    show(best_frames, 0, 100, {1: True})
    show(best_frames, 1, 150, {2: False, 1: True})
    show(best_frames, 2, 200, {1: False})
    picture = best_frames.pictures({1: 4})[4]
    assert (picture.frame, picture.ellipse) == (1, (21.0, 30.0, 9.0, 6.0, 1.0))
    assert abs(int(opened(picture.jpeg)[32, 40]) - 150) <= 2


def test_what_lies_outside_the_sector_is_black() -> None:
    best_frames = BestFrames(MASK)
    show(best_frames, 0, 255, {1: True})
    picture = opened(best_frames.pictures({1: 1})[1].jpeg)
    assert picture.shape == (64, 80)
    assert picture[:4].max() < 10
    assert picture[16:48, 18:62].min() > 245


def test_a_settled_picture_is_the_same_as_one_encoded_at_the_end() -> None:
    early, late = BestFrames(MASK), BestFrames(MASK)
    for best_frames in (early, late):
        show(best_frames, 0, 77, {1: True})
    for index in range(1, 3 * ENCODE_AFTER_FRAMES):
        show(early, index, 10, {})
    assert early.pictures({1: 1}) == late.pictures({1: 1})


def test_only_a_few_frames_are_held_raw() -> None:
    best_frames = BestFrames(MASK)
    for index in range(200):
        show(best_frames, index, 100, {index + 1: True})
    raw = sum(shot.grey is not None for shot, _ in best_frames._best.values())
    assert raw <= ENCODE_AFTER_FRAMES


def test_dropped_and_unconfirmed_tracks_leave_no_picture() -> None:
    best_frames = BestFrames(MASK)
    show(best_frames, 0, 100, {1: True, 2: True, 3: True})
    best_frames.drop((2, 99))
    assert list(best_frames.pictures({3: 1})) == [1]


def test_a_detection_without_a_track_is_not_shown() -> None:
    best_frames = BestFrames(MASK)
    show(best_frames, 0, 100, {0: True})
    assert best_frames.pictures({}) == {}
