"""Signs of known kinds, from which their weights are learned."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from pipeline.calibration.kind_weights import fit_kind_weights
from pipeline.detect.shell_signs import ShellSigns
from pipeline.estimate.kind_model import kind_signs, sign_log_odds
from tests.pipeline.calibration.simulated_exams import training_exam


def exams_with_signs(rng, *, interior, wall, number=40):
    """interior, wall : mean of follicles and of shelled eggs. Follicles are the tracks of odd numbers."""
    known = []
    for _ in range(number):
        one = training_exam(rng, 6, 0, found=1.0)
        (clip,) = one.clips
        labels = {(clip.file, t.identity): "follicle" if t.identity % 2 else "shelled" for t in clip.tracks}
        signs = {
            t.identity: ShellSigns(
                30.0,
                3.0,
                float("nan"),
                float(rng.normal(interior[(t.identity + 1) % 2], 10)),
                0.0,
                8.0,
                0.0,
                0.0,
                float(rng.normal(wall[(t.identity + 1) % 2], 10)),
                20.0,
                5,
            )
            for t in clip.tracks
        }
        known.append(replace(one, clips=(replace(clip, signs=signs),), track_labels=labels))
    return known


def test_signs_that_differ_get_weights_and_a_level_between_the_kinds() -> None:
    known = exams_with_signs(np.random.default_rng(1), interior=(40.0, 20.0), wall=(-5.0, 15.0))
    weights = fit_kind_weights(known)
    assert weights.interior.neutral == pytest.approx(30.0, abs=3.0)
    assert weights.wall_all_round.neutral == pytest.approx(-5.0, abs=3.0)
    # Two normal distributions 20 apart with a standard deviation of 10: 0.2 for each grey level, less the penalty.
    assert 0.08 < weights.interior.weight < 0.2
    assert 0.08 < weights.wall_all_round.weight < 0.2
    assert weights.shadow.weight == 0.0  # never measured
    (clip,) = known[0].clips
    odds = {track: sign_log_odds(kind_signs(signs), weights) for track, signs in clip.signs.items()}
    assert np.mean([value for track, value in odds.items() if track % 2]) > 1
    assert np.mean([value for track, value in odds.items() if not track % 2]) < -1


def test_a_sign_with_the_wrong_sense_gets_no_weight() -> None:
    """Eggs that happen to be brighter inside than follicles in the training set."""
    weights = fit_kind_weights(exams_with_signs(np.random.default_rng(2), interior=(10.0, 30.0), wall=(-5.0, 15.0)))
    assert weights.interior.weight == 0.0
    assert weights.wall_all_round.weight > 0.1


def test_without_follicles_nothing_is_learned() -> None:
    weights = fit_kind_weights([])
    assert weights.interior.weight == weights.wall_all_round.weight == 0.0
