"""Likeness of pictures of a made-up tissue that is turned about the middle of the probe's face."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.typing import NDArray

from pipeline.ingest.sector.fan import Fan
from pipeline.track.frame_likeness import MAXIMUM_TURN_DEGREES, FaceGeometry, clip_likeness, frame_likeness
from pipeline.track.thumbnails import Thumbnails, ThumbnailStack
from tests.pipeline.track.simulated_motion import course_along, path

HEIGHT, WIDTH = 240, 320
DEPTH = 200.0
FACE_XY = (160.0, 20.0)
MASK = Fan((160.0, -30.0), 50.0, 50.0 + DEPTH, -0.6, 0.6).mask(HEIGHT, WIDTH)
ROWS, COLUMNS = np.flatnonzero(MASK.any(axis=1)), np.flatnonzero(MASK.any(axis=0))
BOX = int(COLUMNS[0]), int(ROWS[0]), int(COLUMNS[-1]) + 1, int(ROWS[-1]) + 1
GEOMETRY = FaceGeometry(BOX, FACE_XY, DEPTH)
GRID_STEP = 1.5  # degrees
Floats = NDArray[np.float64]
NOTHING = np.zeros((0, 5)), np.zeros(0)


def tissue(degrees: float = 0.0, seed: int = 1, *, scale: float = 1.0, mirrored: bool = False) -> NDArray[np.uint8]:
    """(H, W) what the probe shows of a plane, turned about the middle of its face. scale : px for each px of depth"""
    y, x = np.mgrid[: round(HEIGHT * scale), : round(WIDTH * scale)].astype(np.float64)
    shown = np.stack([x.ravel() / scale, y.ravel() / scale], axis=1)
    course = course_along(path((0, 0), (1, 1)), in_plane_degrees=np.full(2, degrees), face_xy=FACE_XY)
    across, down = course.turned_back(np.zeros(len(shown), np.int64), shown).T
    if mirrored:
        across = -across
    rng = np.random.default_rng(seed)
    grey = np.full(len(shown), 90.0)
    for _ in range(40):
        direction, length, phase = rng.uniform(0, np.pi), rng.uniform(25, 80), rng.uniform(0, 2 * np.pi)
        grey += 9 * np.cos(2 * np.pi * (across * np.cos(direction) + down * np.sin(direction)) / length + phase)
    return np.asarray(grey.clip(0, 255).reshape(x.shape), np.uint8)


def stack(
    *pictures: NDArray[np.uint8],
    mask: NDArray[np.bool_] = MASK,
    box: tuple[int, int, int, int] = BOX,
    found: tuple[Floats, Floats] = NOTHING,
) -> ThumbnailStack:
    thumbnails = Thumbnails(mask, box)
    for frame, grey in enumerate(pictures):
        thumbnails.add_frame(frame, grey * mask, *found)
    return thumbnails.finish()


@settings(max_examples=25)
@given(st.floats(-MAXIMUM_TURN_DEGREES, MAXIMUM_TURN_DEGREES), st.integers(0, 100))
def test_a_turned_picture_is_alike_and_its_turn_is_found(degrees: float, seed: int) -> None:
    likeness = frame_likeness(stack(tissue(0.0, seed), tissue(degrees, seed)), GEOMETRY)
    assert likeness.likeness[0, 1] > 0.9
    assert likeness.turn_degrees[0, 1] == pytest.approx(degrees, abs=GRID_STEP)
    assert likeness.turn_degrees[1, 0] == pytest.approx(-degrees, abs=GRID_STEP)


def test_every_frame_is_like_itself_and_not_like_another_plane() -> None:
    likeness = frame_likeness(stack(*(tissue(0.0, seed) for seed in range(4))), GEOMETRY)
    np.testing.assert_allclose(np.diagonal(likeness.likeness), 1.0, atol=1e-4)
    np.testing.assert_allclose(likeness.likeness, likeness.likeness.T, atol=1e-4)
    np.testing.assert_allclose(np.diagonal(likeness.turn_degrees), 0.0)
    others = likeness.likeness[~np.eye(4, dtype=bool)]
    assert others.max() < 0.7


def test_a_picture_upside_down_has_the_same_likeness() -> None:
    upright = stack(tissue(0.0), tissue(6.0))
    box = BOX[0], HEIGHT - BOX[3], BOX[2], HEIGHT - BOX[1]
    turned = stack(tissue(0.0)[::-1], tissue(6.0)[::-1], mask=MASK[::-1], box=box)
    upside_down = FaceGeometry(box, (FACE_XY[0], HEIGHT - 1 - FACE_XY[1]), DEPTH, upside_down=True)
    one, other = frame_likeness(upright, GEOMETRY), frame_likeness(turned, upside_down)
    np.testing.assert_allclose(other.likeness, one.likeness, atol=0.05)
    np.testing.assert_allclose(other.turn_degrees, one.turn_degrees, atol=GRID_STEP)


def test_what_was_found_makes_alike_pictures_differ() -> None:
    egg, score = np.array([[130.0, 120.0, 30.0, 20.0, 0.0]]), np.array([0.9])
    pictures = Thumbnails(MASK, BOX)
    for frame, shift in enumerate((0.0, 0.0, 70.0)):
        pictures.add_frame(frame, tissue() * MASK, egg + np.array([shift, 0, 0, 0, 0]), score)
    likeness = frame_likeness(pictures.finish(), GEOMETRY).likeness
    assert likeness[0, 1] > 0.99
    assert likeness[0, 2] < 0.8


@pytest.mark.parametrize("mirrored", [False, True])
def test_a_clip_with_left_and_right_exchanged_is_recognised(mirrored: bool) -> None:
    first = stack(*(tissue(0.0, seed) for seed in range(6)))
    second = stack(*(tissue(0.0, seed, mirrored=mirrored) for seed in range(2, 8)))
    found = clip_likeness((first, GEOMETRY), (second, GEOMETRY))
    assert found.is_mirrored == mirrored
    assert np.diagonal(found.likeness, -2).min() > 0.95
    assert np.diagonal(found.likeness, 0).max() < 0.8
    assert np.abs(np.diagonal(found.turn_degrees, -2)).max() <= GRID_STEP


def test_clips_at_other_scales_are_compared_at_one_depth() -> None:
    large = np.asarray(np.kron(MASK, np.ones((2, 2), bool)), bool)
    box = 2 * BOX[0], 2 * BOX[1], 2 * BOX[2], 2 * BOX[3]
    second = stack(tissue(4.0, scale=2.0), mask=large, box=box), FaceGeometry(box, (320.5, 40.5), 2 * DEPTH)
    found = clip_likeness((stack(tissue(0.0)), GEOMETRY), second)
    assert found.likeness[0, 0] > 0.9
    assert found.turn_degrees[0, 0] == pytest.approx(4.0, abs=GRID_STEP)


def test_without_frames_there_is_nothing_to_compare() -> None:
    assert frame_likeness(stack(), GEOMETRY).likeness.shape == (0, 0)
    flat = np.full((HEIGHT, WIDTH), 80, np.uint8)
    assert np.isfinite(frame_likeness(stack(flat, flat), GEOMETRY).likeness).all()
