"""Weights of merging from pairs of tracks and readings of motion whose truth is known."""

from __future__ import annotations

from pathlib import Path
from types import SimpleNamespace
from typing import Any

import cv2
import numpy as np

from pipeline.calibration.logistic_regression import choice_weights
from pipeline.calibration.merging_weights import (
    LabelledPairs,
    learn_choices,
    learn_pairs,
    pairs_between_clips,
    pairs_within_clip,
    readings_of_clip,
)
from pipeline.settings import load_settings
from pipeline.track.course_search import CourseFeatures
from tests.pipeline.track.merging.test_same_place import clip_of
from tests.pipeline.track.simulated_motion import path, pictures_at

SETTINGS = load_settings()


def random_choice(rng: np.random.Generator, weights: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Four alternatives, one of them right, more often those with a higher sum of weighted features."""
    features = rng.normal(size=(4, len(weights)))
    odds = np.exp(features @ weights)
    return features, np.arange(4) == rng.choice(4, p=odds / odds.sum())


def test_the_weights_of_choices_are_found_again() -> None:
    rng, weights = np.random.default_rng(1), np.array([1.5, -0.8, 0.0])
    found = choice_weights([random_choice(rng, weights) for _ in range(1500)])
    assert np.abs(found - weights).max() < 0.2


def test_choices_without_a_right_alternative_are_left_out() -> None:
    rng = np.random.default_rng(2)
    choices = [random_choice(rng, np.array([1.0])) for _ in range(50)]
    unknown = [(features + 9, np.zeros(4, bool)) for features, _ in choices]
    assert choice_weights([*choices, *unknown]) == choice_weights(choices)


def test_pairs_of_one_clip_are_labelled_by_their_objects() -> None:
    clip = clip_of("left-1.mp4", eggs=[0, 2, 1])
    rows = list(pairs_within_clip(clip, {1: 7, 2: 7, 3: 8}, SETTINGS))
    # The first and the third are seen together, so they are no pair.
    assert sorted(is_one for _, is_one in rows) == [False, True]
    assert not list(pairs_within_clip(clip, {1: None, 2: None, 3: None}, SETTINGS))


def test_pairs_of_two_clips_are_closer_if_they_show_one_object() -> None:
    clips = clip_of("left-1.mp4", eggs=[0, 1]), clip_of("left-2.mp4", eggs=[0, 1], noise_seed=4)
    rows = list(pairs_between_clips(*clips, [{1: 7, 2: 8}, {1: 7, 2: 8}], SETTINGS))
    one, two = ([features[0] for features, is_one in rows if is_one == kind] for kind in (True, False))
    assert len(one) == len(two) == 2
    assert max(one) < min(two)


def test_one_reading_of_a_recording_has_its_true_turns(tmp_path: Path) -> None:
    for number, picture in enumerate(pictures_at(path((0, 0), (40, 70), (80, 0)))):
        cv2.imwrite(str(tmp_path / f"{number:02}.png"), cv2.resize(picture, None, fx=3, fy=3))
    scan: Any = SimpleNamespace(frame=np.zeros(0, int), ellipse=np.zeros((0, 5)), score=np.zeros(0), frame_rate=25.0)
    features, is_right = readings_of_clip(tmp_path, scan, [40.0], SETTINGS)
    assert is_right.sum() == 1
    assert not readings_of_clip(tmp_path, scan, [10.0], SETTINGS)[1].any()
    assert "all turns right in 1 of 1" in learn_choices([(features, is_right)] * 2)


def test_what_is_learned_is_tested_on_the_other_half() -> None:
    rng = np.random.default_rng(3)
    pairs = LabelledPairs()
    for _ in range(20):
        is_one = rng.random(10) < 0.5
        pairs.features.append([np.array([0.1 if one else 1.5]) + rng.normal(0, 0.1, 1) for one in is_one])
        pairs.is_one.append(is_one.tolist())
    text = learn_pairs(pairs, ["distance"])
    told = sum(sum(animal) for animal in pairs.is_one[1::2])
    assert "distance -" in text
    assert f"{told} of {told} told; 0 of {100 - told} wrong" in text


def test_every_feature_of_a_reading_is_named() -> None:
    assert "mismatch" in learn_choices([(np.eye(2, len(vars(CourseFeatures(0.0)))), np.array([True, False]))] * 2)
