"""Features of tracks whose sections are known."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from pipeline.detect.shell_signs import ShellSigns
from pipeline.estimate.track_features import FEATURE_NAMES, track_features
from pipeline.settings import load_settings
from pipeline.track.probe_course import ProbeCourse
from pipeline.track.tracks import ClipTracks, Track

SETTINGS = load_settings().track
NAN = float("nan")


def track(scores, stages=(0.05, 0.1, 0.85), *, identity=1, size=40.0):
    """A section that neither grows nor moves."""
    count = len(scores)
    ellipses = np.tile([300.0, 200.0, size, 0.75 * size, 0.0], (count, 1))
    return Track(
        identity,
        np.arange(count),
        ellipses,
        ellipses[:, 1].copy(),
        np.tile(stages, (count, 1)),
        np.array(scores, float),
    )


def features_of(*tracks, shelled=True):
    clip = ClipTracks("left-1.mp4", "left", 0.2, 100, tracks)
    seen = track_features([clip], shelled=shelled, settings=SETTINGS)
    return [seen["left-1.mp4", each.identity] for each in tracks]


def test_features_hold_the_log_odds_of_scores_and_kind():
    (plain,) = features_of(track([0.5] * 20))
    assert plain[:2] == pytest.approx([0.0, 0.0])
    assert plain[2] > 3
    assert features_of(track([0.5] * 20), shelled=False)[0][2] == pytest.approx(-plain[2])
    # One sighting with a probability of 0.4 of a follicle: odds of 1.5 for a shelled egg.
    unsure = track([0.5], (0.4, 0.3, 0.3))
    assert features_of(unsure)[0][2] == pytest.approx(math.log(1.5))
    assert features_of(unsure, shelled=False)[0][2] == pytest.approx(-math.log(1.5))


def test_features_hold_how_similar_the_size_is_to_the_other_eggs():
    sizes = (40.0, 41.0, 39.0, 60.0)
    *eggs, odd = features_of(*(track([0.9] * 20, identity=1 + k, size=size) for k, size in enumerate(sizes)))
    assert all(egg[3] > -0.2 for egg in eggs)
    assert odd[3] == -4.0
    # Eggs are not compared with follicles, and an egg alone has no others to be compared with.
    alone, _ = features_of(track([0.9] * 20, size=60.0), track([0.9] * 20, (0.9, 0.05, 0.05), identity=2))
    assert alone[3] == -1.0


def test_size_similarity_is_a_squared_deviation():
    """A section 1.5 standard deviations of 0.15 log units smaller or larger than the others."""
    for deviation in (-1.5, 1.5):
        sizes = 40.0, 40.0, 40.0 * math.exp(0.15 * deviation)
        *_, odd = features_of(*(track([0.9] * 20, identity=1 + k, size=size) for k, size in enumerate(sizes)))
        assert odd[3] == pytest.approx(-2.25)


@pytest.mark.parametrize(
    ("near", "far"),
    [
        ({"mm_per_px": 0.2}, {"mm_per_px": 0.1}),
        ({"mm_per_px": None, "imaging_depth_px": 400.0}, {"mm_per_px": None, "imaging_depth_px": 800.0}),
    ],
)
def test_sizes_are_compared_in_mm_or_relative_to_the_imaging_depth(near, far):
    """The same egg in two clips, one of which is zoomed in to twice the size in px."""
    clips = [
        ClipTracks(file=file, window="left", frames=100, tracks=(track([0.9] * 20, size=size),), **scale)
        for file, size, scale in (("left-1.mp4", 40.0, near), ("left-2.mp4", 80.0, far))
    ]
    features = track_features(clips, shelled=True, settings=SETTINGS)
    assert [features[clip.file, 1][3] for clip in clips] == pytest.approx([0.0, 0.0], abs=1e-9)


def ball(frames=40, *, semi_axes=(40.0, 40.0), drift=(0.0, 0.0), first=-0.95, last=0.95):
    """A section that grows and shrinks as an ellipsoid's does, while the plane passes from first to last.

    drift : px in x and y over the whole passage
    """
    way = np.linspace(first, last, frames)
    scale = np.sqrt(1 - way**2)
    plain = track([0.8] * frames)
    ellipses = plain.ellipses.copy()
    ellipses[:, 2:4] = np.outer(scale, semi_axes)
    ellipses[:, :2] += np.outer(way / max(np.ptp(way), 1.0), drift)
    return replace(plain, ellipses=ellipses)


def named(features):
    return dict(zip(FEATURE_NAMES, features, strict=True))


def test_the_section_of_a_ball_rises_and_falls():
    whole, half, none = (
        named(features_of(one)[0])["rise_and_fall"] for one in (ball(), ball(first=0.0), track([0.8] * 40))
    )
    assert whole > 0.4
    assert 0.2 < half < 0.8 * whole
    assert none == pytest.approx(0.0)


@given(st.floats(5, 100), st.floats(1, 2), st.integers(3, 60))
def test_size_length_and_shape_of_a_ball_change_no_feature_of_its_profile(size, elongation, frames):
    (round_one,) = features_of(ball(frames))
    (other,) = features_of(ball(frames, semi_axes=(size * elongation, size)))
    np.testing.assert_allclose(other[4:7], round_one[4:7], atol=1e-9)


def test_a_section_that_slides_is_less_steady():
    features = [named(features_of(ball(drift=(drift, 0.0)))[0])["steady_place"] for drift in (0.0, 40.0, 80.0, 800.0)]
    assert features[0] == pytest.approx(0.0, abs=1e-9)
    assert features == sorted(features, reverse=True)
    assert features[3] == -2.0


def test_what_turns_with_the_probe_does_not_slide():
    """The probe turns in the plane of the picture, by which a ball moves around the middle of its face."""
    frames = np.arange(40)
    degrees = np.linspace(-10, 10, 40)
    course = ProbeCourse(frames, frames / 10, degrees, (), 1.0, (300.0, 0.0))
    angle = np.deg2rad(degrees)
    plain = ball()
    ellipses = plain.ellipses.copy()
    ellipses[:, :2] = [300.0, 0.0] + 200 * np.column_stack([np.sin(angle), np.cos(angle)])
    moving = replace(plain, ellipses=ellipses)
    slides = []
    for courses in ((), (course,)):
        clip = ClipTracks("left-1.mp4", "left", 0.2, 100, (moving,), courses=courses)
        features = track_features([clip], shelled=True, settings=SETTINGS)["left-1.mp4", 1]
        slides.append(named(features)["steady_place"])
    unexplained, explained = slides
    assert explained == pytest.approx(0.0, abs=0.01)
    assert unexplained < -0.3


def test_a_patch_that_changes_its_shape_is_less_steady():
    plain = ball()
    restless = plain.ellipses.copy()
    restless[:, 2] *= np.exp(np.random.default_rng(1).uniform(0, 0.6, len(restless)))
    steady, changing = features_of(plain)[0], features_of(replace(plain, ellipses=restless))[0]
    assert named(steady)["steady_shape"] > named(changing)["steady_shape"] + 1


def features_with(signs, *, shelled):
    clip = ClipTracks("left-1.mp4", "left", 0.2, 100, (ball(),), signs={} if signs is None else {1: signs})
    return named(track_features([clip], shelled=shelled, settings=SETTINGS)["left-1.mp4", 1])


def test_a_bright_ball_without_a_wall_speaks_for_a_follicle_and_against_an_egg():
    bright = ShellSigns(40.0, 3.0, 0.0, 30.0, 0.0, 8.0, 0.0, 0.0, -10.0, 25.0, 5)
    for shelled, sense in ((True, -1.0), (False, 1.0)):
        features = features_with(bright, shelled=shelled)
        assert (features["inside"], features["wall"]) == pytest.approx((3.0 * sense, 1.0 * sense))
        assert features["step"] == pytest.approx(2.5)


def test_signs_that_could_not_be_measured_or_are_extreme_decide_little():
    unknown = ShellSigns(NAN, NAN, NAN, 10.0, NAN, NAN, NAN, NAN, NAN, NAN, 5)
    for signs in (None, replace(unknown, interior=0.0)):
        features = features_with(signs, shelled=True)
        assert (features["inside"], features["wall"], features["step"]) == pytest.approx((0.0, 0.0, 1.0))
    extreme = ShellSigns(255.0, 3.0, 0.0, -255.0, 0.0, 8.0, 0.0, 0.0, 255.0, 255.0, 5)
    features = features_with(extreme, shelled=True)
    assert (features["inside"], features["wall"], features["step"]) == (6.0, 6.0, 3.0)
    assert features_with(replace(extreme, wall_all_round=-90.0), shelled=False)["wall"] == 1.0


@pytest.mark.parametrize("frames", [1, 4])
def test_of_few_sightings_neither_place_nor_shape_is_known(frames):
    features = named(features_of(ball(frames, drift=(200.0, 0.0)))[0])
    assert (features["steady_place"], features["steady_shape"]) == pytest.approx((-0.3, -math.log(0.06)))
