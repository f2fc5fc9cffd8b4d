from __future__ import annotations

import numpy as np
from hypothesis import given, settings
from hypothesis import strategies as st

from pipeline.track.frame_likeness import FaceGeometry
from pipeline.track.key_frames import KeyFrames, select_key_frames
from pipeline.track.thumbnails import ThumbnailStack
from tests.pipeline.track.simulated_motion import course_along, path

GEOMETRY = FaceGeometry((0, 0, 4, 4), (2.0, 0.0), 4.0)
MOST = 48


def key_frames(positions: np.ndarray) -> KeyFrames:
    """Each picture shows the number of its frame."""
    count = len(positions)
    pictures = np.tile((np.arange(count) % 120)[:, None, None], (1, 2, 2))
    stack = ThumbnailStack(np.arange(count), pictures.astype(np.int8), pictures.astype(np.uint8), np.ones((2, 2), bool))
    return select_key_frames(stack, GEOMETRY, course_along(positions))


@settings(max_examples=40)
@given(st.lists(st.floats(-1, 1), min_size=1, max_size=300))
def test_at_most_48_frames_are_kept_in_order_with_their_pictures(steps: list[float]) -> None:
    kept = key_frames(np.cumsum(steps)).thumbnails
    frames = kept.frames.tolist()
    assert frames == sorted(set(frames))
    assert len(frames) == len(steps) if len(steps) <= MOST else 1 <= len(frames) <= MOST
    np.testing.assert_array_equal(kept.pictures[:, 0, 0], kept.frames % 120)
    np.testing.assert_array_equal(kept.outlines[:, 0, 0], kept.frames % 120)


def test_key_frames_are_spread_over_the_way_and_not_over_the_time() -> None:
    """Slow first, then fast: both halves of the way have about as many, and none is far from the next one."""
    positions = path((0, 0), (300, 5), (400, 10))
    kept = key_frames(positions).thumbnails.frames
    assert len(kept) > 40
    assert np.diff(positions[kept]).max() < 2.5 * 10 / MOST
    share_of_second_half = (kept > 300).mean()
    assert 0.35 < share_of_second_half < 0.6


def test_a_rest_keeps_some_frames() -> None:
    kept = key_frames(path((0, 0), (100, 5), (200, 5))).thumbnails.frames
    assert 4 <= (kept > 105).sum() <= 24
