from __future__ import annotations

import numpy as np
import pytest

from pipeline.calibration.logistic_regression import logistic_weights


def test_the_true_weights_are_fitted() -> None:
    rng = np.random.default_rng(1)
    features = rng.normal(size=(4000, 2)) * np.array([1.0, 5.0])
    log_odds = -0.5 + features @ np.array([1.5, -0.2])
    labels = rng.random(4000) < 1 / (1 + np.exp(-log_odds))
    assert logistic_weights(features, labels) == pytest.approx([-0.5, 1.5, -0.2], abs=0.15)


def test_without_features_the_intercept_is_the_log_odds() -> None:
    labels = np.array([True] * 30 + [False] * 10)
    assert logistic_weights(np.zeros((40, 0)), labels) == pytest.approx([np.log(3)], abs=0.01)


def test_labels_that_a_feature_separates_perfectly_give_no_infinite_weight() -> None:
    weights = logistic_weights(np.array([[-1.0], [1.0]]), np.array([False, True]))
    assert 0.3 < weights[1] < 10
    assert np.isfinite(logistic_weights(np.zeros((0, 2)), np.zeros(0, dtype=bool))).all()
