from __future__ import annotations

import numpy as np
import pytest

from pipeline.estimate.stage_model import FEATURES, calibrated_stages, egg_features, features_told
from pipeline.settings import Calibration, load_settings

SHIPPED = load_settings().calibration


def model(**weights):
    """A calibration whose only weights are the given ones, of plain features held between -100 and 100."""
    plain = {"low": -100.0, "high": 100.0, "middle": 0.0, "spread": 1.0}
    features = {name: plain | {"weights": weights.get(name, (0.0, 0.0, 0.0))} for name in FEATURES}
    head = SHIPPED.model_dump(exclude={"feature"}) | {"bias": (0.0, 0.0, 0.0), "temperature": 1.0}
    return Calibration(**head, feature=features)


def row(**signs):
    return egg_features([1 / 3, 1 / 3, 1 / 3], signs)


def test_the_networks_odds_are_the_first_features():
    features = egg_features([0.2, 0.2, 0.6], {})
    assert features[:2] == pytest.approx([np.log(0.8 / 0.2), np.log(0.6 / 0.2)])
    assert np.isnan(features[2:]).all()
    assert np.isfinite(egg_features([0.0, 0.0, 1.0], {})[:2]).all()


def test_a_deeper_shadow_makes_an_egg_likelier_calcified():
    known = model(shadow=(-0.05, 0.0, 0.05))
    stages = calibrated_stages(np.stack([row(shadow=value) for value in (-20.0, 0.0, 20.0, 60.0)]), known)
    np.testing.assert_allclose(stages.sum(1), 1.0)
    assert (np.diff(stages[:, 2]) > 0).all()
    np.testing.assert_allclose(stages[1], 1 / 3)


def test_what_no_phantom_showed_weighs_as_the_most_extreme_of_them():
    known = model(shadow=(-0.05, 0.0, 0.05))
    stages = calibrated_stages(np.stack([row(shadow=100.0), row(shadow=1000.0)]), known)
    np.testing.assert_array_equal(*stages)


def test_a_sign_that_could_not_be_read_counts_as_an_ordinary_one():
    known = model(shadow=(-0.05, 0.0, 0.05))
    np.testing.assert_allclose(calibrated_stages(row()[None], known), 1 / 3)


def test_a_higher_temperature_is_less_sure():
    known = model(shadow=(-0.05, 0.0, 0.05))
    warm = known.model_copy(update={"temperature": 2.0})
    features = row(shadow=60.0)[None]
    assert calibrated_stages(features, warm).max() < calibrated_stages(features, known).max()


def test_features_come_back_from_the_published_result():
    signs = {"rim": 40.0, "shadow": None, "interior": -20.0, "middle": 0.0, "unevenness": 9.0, "rim_px": 3.0}
    egg = {"network_stages": {"follicle": 0.1, "thin-shelled": 0.2, "calcified": 0.7}, "signs": {"grey": signs}}
    np.testing.assert_array_equal(features_told(egg), egg_features([0.1, 0.2, 0.7], signs))
    np.testing.assert_array_equal(features_told(egg | {"signs": None}), egg_features([0.1, 0.2, 0.7], {}))
