from __future__ import annotations

import numpy as np
import pytest

from pipeline.calibration_file import NetworkCalibration
from pipeline.estimate.stage_model import (
    SIGN_NAMES,
    calibrated_stages,
    network_log_probabilities,
    read_network_log_probabilities,
    read_sign_vector,
    sign_vector,
)
from pipeline.settings import load_settings

SHIPPED = load_settings().calibration.network
UNDECIDED = network_log_probabilities([1 / 3, 1 / 3, 1 / 3])


def model(**weights):
    """A calibration that takes the network as it is and has only the given weights for signs."""
    plain = {"low": -100.0, "high": 100.0, "mean": 0.0, "sd": 1.0}
    features = {name: plain | {"weights": weights.get(name, (0.0, 0.0, 0.0))} for name in SIGN_NAMES}
    head = SHIPPED.model_dump(exclude={"feature"}) | {
        "bias": (0.0, 0.0, 0.0),
        "temperature": 1.0,
        "network_weight": 1.0,
    }
    return NetworkCalibration(**head, feature=features)


SHADOW = model(shadow=(-0.05, 0.0, 0.05))


def stages_of(calibration, *shadows, network=UNDECIDED):
    signs = np.stack([sign_vector({"shadow": shadow}) for shadow in shadows])
    return calibrated_stages(np.tile(network, (len(shadows), 1)), signs, calibration)


def test_without_signs_the_network_decides():
    probabilities = [0.2, 0.3, 0.5]
    np.testing.assert_allclose(
        stages_of(model(), None, network=network_log_probabilities(probabilities))[0], probabilities
    )
    assert np.isfinite(network_log_probabilities([0.0, 0.0, 1.0])).all()


def test_a_deeper_shadow_makes_calcified_more_likely():
    stages = stages_of(SHADOW, -20.0, 0.0, 20.0, 60.0)
    np.testing.assert_allclose(stages.sum(1), 1.0)
    assert (np.diff(stages[:, 2]) > 0).all()
    np.testing.assert_allclose(stages[1], 1 / 3)


def test_a_sign_outside_the_calibrated_range_counts_as_its_limit():
    np.testing.assert_array_equal(*stages_of(SHADOW, 100.0, 1000.0))


def test_a_sign_that_could_not_be_measured_counts_as_an_average_one():
    np.testing.assert_allclose(stages_of(SHADOW, None), 1 / 3)


def test_a_higher_temperature_is_less_sure():
    warm = SHADOW.model_copy(update={"temperature": 2.0})
    assert stages_of(warm, 60.0).max() < stages_of(SHADOW, 60.0).max()


def test_evidence_is_read_back_from_the_published_result():
    signs = {"rim": 40.0, "shadow": None, "interior": -20.0, "middle": 0.0, "unevenness": 9.0, "rim_px": 3.0}
    egg = {"network_stages": {"follicle": 0.1, "thin-shelled": 0.2, "calcified": 0.7}, "signs": {"grey": signs}}
    np.testing.assert_array_equal(read_sign_vector(egg), sign_vector(signs))
    assert np.isnan(read_sign_vector(egg)[SIGN_NAMES.index("shadow")])
    assert np.isnan(read_sign_vector(egg | {"signs": None})).all()
    assert read_network_log_probabilities(egg) == pytest.approx(np.log([0.1, 0.2, 0.7]))
