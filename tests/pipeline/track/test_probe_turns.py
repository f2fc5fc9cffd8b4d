"""Turns of the probe, found in pictures made for the purpose: planes through a texture that changes along the sweep."""

from __future__ import annotations

from collections.abc import Iterator

import cv2
import numpy as np
import pytest
from numpy.typing import NDArray

from pipeline.track.probe_turns import ProbeTurn, find_turns
from pipeline.track.thumbnails import Thumbnails

HEIGHT, WIDTH = 96, 128
LAYER_SPACING = 12.0  # positions after which a picture has changed completely


def pictures_at(positions: NDArray[np.float64], seed: int = 1) -> Iterator[NDArray[np.uint8]]:
    """Pictures of planes at ``positions`` in a body with a varying texture, with noise and a drifting gain."""
    rng = np.random.default_rng(seed)
    knots = np.arange(np.floor(positions.min() / LAYER_SPACING) - 2, np.ceil(positions.max() / LAYER_SPACING) + 3)
    layers = [cv2.GaussianBlur(rng.normal(size=(HEIGHT, WIDTH)).astype(np.float32), (0, 0), 6) for _ in knots]
    layers = [70 + 25 * layer / layer.std() for layer in layers]
    for frame, position in enumerate(positions):
        weights = np.exp(-((knots - position / LAYER_SPACING) ** 2) / 0.5)
        picture = sum(w * layer for w, layer in zip(weights / np.linalg.norm(weights), layers, strict=True))
        picture = picture * (1 + 0.2 * np.sin(frame / 17)) + rng.normal(0, 6, (HEIGHT, WIDTH))
        yield picture.clip(0, 255).astype(np.uint8)


def thumbnails_at(positions: NDArray[np.float64]) -> Thumbnails:
    thumbnails = Thumbnails(np.ones((HEIGHT, WIDTH), bool), (0, 0, WIDTH, HEIGHT))
    for frame, picture in enumerate(pictures_at(positions)):
        thumbnails.add_frame(frame, picture)
    return thumbnails


def likely_turns(positions: NDArray[np.float64]) -> tuple[ProbeTurn, ...]:
    thumbnails = thumbnails_at(positions)
    return tuple(turn for turn in find_turns(thumbnails.frames, thumbnails.correlation()) if turn.is_likely)


def path(*corners: tuple[int, float]) -> NDArray[np.float64]:
    """Positions of a probe that is at each of (frame, position) and moves evenly between them."""
    frames, positions = np.array(corners, float).T
    return np.interp(np.arange(frames[-1] + 1), frames, positions)


def test_a_slower_return_is_found_with_the_frames_that_show_the_same_place() -> None:
    positions = path((0, 0), (45, 90), (115, 0))
    (turn,) = likely_turns(positions)
    assert turn.frame == pytest.approx(45, abs=2)
    assert turn.log_odds > 2
    error = np.abs(positions[turn.before.astype(int)] - positions[turn.after.astype(int)])
    assert np.quantile(error, 0.9) <= 4  # of 90, where one frame is up to 2
    assert (turn.before.min(), turn.after.max()) == pytest.approx((0, 115), abs=6)


@pytest.mark.parametrize(
    "positions",
    [
        path((0, 0), (110, 200)),
        path((0, 0), (40, 60), (75, 60), (110, 120)),  # a rest
        path((0, 0), (50, 80), (52, 140), (55, 82), (110, 160)),  # a kick, and then on
    ],
    ids=["one pass", "a rest", "a kick"],
)
def test_a_probe_that_only_goes_on_has_no_turn(positions: NDArray[np.float64]) -> None:
    assert likely_turns(positions) == ()


def test_two_turns_are_both_found() -> None:
    turns = likely_turns(path((0, 0), (40, 80), (80, 0), (120, 80)))
    assert [turn.frame for turn in turns] == pytest.approx([40, 80], abs=3)


def test_a_clip_too_short_for_two_passes_has_no_turn() -> None:
    thumbnails = thumbnails_at(path((0, 0), (5, 20), (10, 0)))
    assert find_turns(thumbnails.frames, thumbnails.correlation()) == ()
    empty = Thumbnails(np.ones((HEIGHT, WIDTH), bool), (0, 0, WIDTH, HEIGHT))
    assert find_turns(empty.frames, empty.correlation()) == ()


def test_thumbnails_of_a_long_clip_are_thinned_and_remain_evenly_spaced() -> None:
    thumbnails = Thumbnails(np.ones((HEIGHT, WIDTH), bool), (0, 0, WIDTH, HEIGHT))
    for frame in range(1000):
        thumbnails.add_frame(frame, np.full((HEIGHT, WIDTH), frame % 250, np.uint8))
    assert 80 <= len(thumbnails.frames) <= 160
    assert len(set(np.diff(thumbnails.frames))) == 1


def test_correlation_ignores_gain_and_falls_at_another_position() -> None:
    correlation = thumbnails_at(path((0, 0), (30, 60))).correlation()
    assert correlation[0, 1] > 0.9
    assert abs(correlation[0, 20]) < 0.4
