from __future__ import annotations

import cv2
import numpy as np

from models.ellipse import project
from synthetic.film.camera import draw_camera
from synthetic.film.film import FilmedFrame, FilmedObject
from synthetic.film.recorder import DIRECT_RECORDING, Recorder, draw_recorder


def frames(number: int = 3) -> list[FilmedFrame]:
    rng = np.random.default_rng(1)
    egg = FilmedObject(
        number=0,
        ellipse=(60.0, 40.0, 20.0, 12.0, 10.0),
        stage=2,
        visible=1.0,
        is_target=True,
        shown=True,
        is_clear=True,
        depth_mm=20.0,
    )
    return [FilmedFrame(rng.integers(0, 255, (96, 128)).astype(np.uint8), (egg,)) for _ in range(number)]


def test_direct_recording_changes_nothing() -> None:
    for sent, stored in zip(frames(), DIRECT_RECORDING.record(frames()), strict=True):
        np.testing.assert_array_equal(stored.grey, sent.grey)
        assert stored.objects == sent.objects


def test_odd_rows_of_an_interlaced_frame_are_those_of_the_previous_frame() -> None:
    sent = frames()
    stored = list(Recorder(interlaced=True).record(sent))
    np.testing.assert_array_equal(stored[0].grey, sent[0].grey)
    for index in (1, 2):
        np.testing.assert_array_equal(stored[index].grey[::2], sent[index].grey[::2])
        np.testing.assert_array_equal(stored[index].grey[1::2], sent[index - 1].grey[1::2])


def test_a_reduced_picture_loses_detail_and_stays_in_place() -> None:
    (sent,) = frames(1)
    (stored,) = Recorder(shrink=1.6).record([sent])
    assert stored.grey.std() < 0.8 * sent.grey.std()
    smooth = [cv2.GaussianBlur(one.grey.astype(np.float32), (0, 0), 4) for one in (sent, stored)]
    (dx, dy), _ = cv2.phaseCorrelate(*smooth)
    assert max(abs(dx), abs(dy)) < 0.1


def test_a_camera_moves_pictures_and_ground_truth_together() -> None:
    camera = draw_camera(np.random.default_rng(3))
    sent = frames()
    for index, (one, stored) in enumerate(zip(sent, Recorder(camera=camera).record(sent), strict=True)):
        matrix = camera.homography(index, 96, 128)
        assert stored.objects[0].ellipse == tuple(project(one.objects[0].ellipse, matrix).tolist())
        assert stored.objects[0].ellipse != one.objects[0].ellipse
        assert stored.objects[0].number == one.objects[0].number
        assert not np.array_equal(stored.grey, one.grey)


def test_all_kinds_of_recorders_are_drawn() -> None:
    drawn = [draw_recorder(np.random.default_rng(seed)) for seed in range(300)]
    filmed = sum(one.camera is not None for one in drawn)
    interlaced = sum(one.interlaced for one in drawn)
    assert 15 <= filmed <= 45
    assert 15 <= interlaced <= 45
    assert all(18 <= one.crf <= 30 and 1 <= one.shrink <= 1.6 for one in drawn)
    assert len({one.crf for one in drawn}) > 8
