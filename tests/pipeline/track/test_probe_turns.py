"""Turns of a hand, seen in pictures made for the purpose: a long strip of texture that passes before a window."""

from __future__ import annotations

import cv2
import numpy as np
import pytest
from numpy.typing import NDArray

from pipeline.track.probe_turns import ProbeTurn, find_turns
from pipeline.track.thumbnails import Thumbnails
from pipeline.track.turn_mapping import TurnMapping

HEIGHT, WIDTH = 96, 128
BLOB = 12.0  # frames after which a picture has changed altogether


def filmed(places: NDArray[np.float64], seed: int = 1) -> Thumbnails:
    """A plane at ``places`` of a body whose texture changes across it, with noise and a gain that drifts."""
    rng = np.random.default_rng(seed)
    knots = np.arange(np.floor(places.min() / BLOB) - 2, np.ceil(places.max() / BLOB) + 3)
    layers = [cv2.GaussianBlur(rng.normal(size=(HEIGHT, WIDTH)).astype(np.float32), (0, 0), 6) for _ in knots]
    layers = [70 + 25 * layer / layer.std() for layer in layers]
    thumbnails = Thumbnails(np.ones((HEIGHT, WIDTH), bool), (0, 0, WIDTH, HEIGHT))
    for frame, place in enumerate(places):
        weights = np.exp(-((knots - place / BLOB) ** 2) / 0.5)
        picture = sum(w * layer for w, layer in zip(weights / np.linalg.norm(weights), layers, strict=True))
        picture = picture * (1 + 0.2 * np.sin(frame / 17)) + rng.normal(0, 6, (HEIGHT, WIDTH))
        thumbnails.add_frame(frame, picture.clip(0, 255).astype(np.uint8))
    return thumbnails


def seen(places: NDArray[np.float64]) -> tuple[ProbeTurn, ...]:
    thumbnails = filmed(places)
    return tuple(turn for turn in find_turns(thumbnails.frames, thumbnails.correlation()) if turn.is_likely)


def way(*corners: tuple[int, float]) -> NDArray[np.float64]:
    """Places of a hand that is at each of (frame, place) and moves evenly between them."""
    frames, places = np.array(corners, float).T
    return np.interp(np.arange(frames[-1] + 1), frames, places)


def test_a_hand_that_comes_back_slower_is_seen_with_what_lies_where() -> None:
    places = way((0, 0), (45, 90), (115, 0))
    (turn,) = seen(places)
    assert turn.frame == pytest.approx(45, abs=2)
    assert turn.log_odds > 2
    error = np.abs(places[turn.before.astype(int)] - places[turn.after.astype(int)])
    assert np.quantile(error, 0.9) <= 4  # of 90, where one frame is up to 2
    assert (turn.before.min(), turn.after.max()) == pytest.approx((0, 115), abs=6)


@pytest.mark.parametrize(
    "places",
    [
        way((0, 0), (110, 200)),
        way((0, 0), (40, 60), (75, 60), (110, 120)),  # a rest
        way((0, 0), (50, 80), (52, 140), (55, 82), (110, 160)),  # a kick, and on
    ],
    ids=["one pass", "a rest", "a kick"],
)
def test_a_hand_that_only_goes_on_has_no_turn(places: NDArray[np.float64]) -> None:
    assert seen(places) == ()


def test_a_hand_that_turns_twice_is_seen_twice() -> None:
    turns = seen(way((0, 0), (40, 80), (80, 0), (120, 80)))
    assert [turn.frame for turn in turns] == pytest.approx([40, 80], abs=3)


def test_a_clip_too_short_for_two_passes_has_no_turn() -> None:
    thumbnails = filmed(way((0, 0), (5, 20), (10, 0)))
    assert find_turns(thumbnails.frames, thumbnails.correlation()) == ()
    nothing = Thumbnails(np.ones((HEIGHT, WIDTH), bool), (0, 0, WIDTH, HEIGHT))
    assert find_turns(nothing.frames, nothing.correlation()) == ()


def test_thumbnails_of_a_long_clip_are_thinned_and_stay_evenly_spaced() -> None:
    thumbnails = Thumbnails(np.ones((HEIGHT, WIDTH), bool), (0, 0, WIDTH, HEIGHT))
    for frame in range(1000):
        thumbnails.add_frame(frame, np.full((HEIGHT, WIDTH), frame % 250, np.uint8))
    assert 80 <= len(thumbnails.frames) <= 160
    assert len(set(np.diff(thumbnails.frames))) == 1


def test_likeness_is_blind_to_gain_and_sees_another_place() -> None:
    likeness = filmed(way((0, 0), (30, 60))).correlation()
    assert likeness[0, 1] > 0.9
    assert abs(likeness[0, 20]) < 0.4


def test_a_course_leads_there_and_back_and_carries_on_at_its_pace() -> None:
    even = TurnMapping.at_pace(50, 2.0)
    assert even.to_return([50, 40]).tolist() == pytest.approx([50, 70])
    assert even.to_outbound([70, 90]).tolist() == pytest.approx([40, 30])
    # Frames 20 to 30 come again while the hand stands still for a while, 40 to 50.
    resting = TurnMapping(np.array([10.0, 20, 20, 30]), np.array([60.0, 50, 40, 30]))
    assert resting.to_return([10, 15, 30]).tolist() == pytest.approx([60, 52.5, 30])
    assert resting.to_outbound([60, 30, 90]).tolist() == pytest.approx([10, 30, -10])
