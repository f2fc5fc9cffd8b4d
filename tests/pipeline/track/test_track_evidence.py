from __future__ import annotations

import numpy as np
import pytest

from pipeline.settings import load_settings
from pipeline.track.track_evidence import (
    effective_sample_size,
    existence_probability,
    score_log_odds,
    stage_probabilities,
)
from pipeline.track.tracks import Track

SETTINGS = load_settings().track


def make_track(scores, stages=(0.1, 0.2, 0.7)):
    count = len(scores)
    ellipses = np.tile([300.0, 200.0, 50.0, 35.0, 0.0], (count, 1))
    return Track(1, np.arange(count), ellipses, np.full(count, 200.0), np.tile(stages, (count, 1)), np.array(scores))


def test_the_effective_sample_size_levels_off():
    # Kish 1965: 20 in a cluster with correlation 0.05 have a design effect of 1.95.
    assert effective_sample_size(20, 0.05) == pytest.approx(20 / 1.95)
    assert effective_sample_size(1, 0.5) == 1
    assert effective_sample_size(100_000, 0.2) == pytest.approx(5.0, abs=1e-3)


def test_the_neutral_score_is_no_evidence():
    assert score_log_odds(np.array([0.4]), 0.4) == pytest.approx(0.0)
    assert np.all(np.isfinite(score_log_odds(np.array([0.0, 1.0]), 0.4)))


def test_existence_grows_with_score_and_length_but_never_reaches_certainty():
    probabilities = [
        existence_probability(make_track([score] * n), SETTINGS) for score, n in ((0.3, 50), (0.6, 5), (0.6, 20))
    ]
    assert probabilities == sorted(probabilities)
    assert probabilities[0] < 0.2
    assert existence_probability(make_track([1.0] * 5000), SETTINGS) == SETTINGS.maximum_existence


def test_stages_of_many_frames_are_more_certain_than_of_one_but_never_certain():
    one, many = (stage_probabilities([make_track([0.8] * n)], SETTINGS) for n in (1, 40))
    assert one == pytest.approx([0.1, 0.2, 0.7])
    assert one[2] < many[2] < 1
    assert many.sum() == pytest.approx(1.0)


def test_a_single_deviating_frame_does_not_change_the_stage():
    track = make_track([0.8] * 30)
    track.stage_probabilities[7] = [1.0, 0.0, 0.0]
    assert int(np.argmax(stage_probabilities([track], SETTINGS))) == 2
