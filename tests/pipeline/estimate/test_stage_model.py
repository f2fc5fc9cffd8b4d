from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from pipeline.calibration_tables import NetworkCalibration
from pipeline.estimate.stage_model import (
    SIGN_NAMES,
    StageInputs,
    calibrated_stages,
    network_log_probabilities,
    read_network_log_probabilities,
    read_sign_vector,
    sign_vector,
)
from pipeline.settings import load_settings

SHIPPED = load_settings().calibration.network
UNDECIDED = [1 / 3, 1 / 3, 1 / 3]
THIN, CALCIFIED, FOLLICLE = [0.001, 0.998, 0.001], [0.001, 0.001, 0.998], [0.998, 0.001, 0.001]
LIMIT = 0.9


def model(**weights):
    """A calibration of equally common stages that has only the given weights for signs, from -100 to 100."""
    plain = {"low": -100.0, "high": 100.0, "mean": 0.0, "sd": 1.0}
    features = {name: plain | {"weights": weights.get(name, (0.0, 0.0, 0.0))} for name in SIGN_NAMES}
    return NetworkCalibration(
        eggs=100,
        shares=(1 / 3, 1 / 3, 1 / 3),
        network_temperature=1.0,
        signs_temperature=1.0,
        bias=(0.0, 0.0, 0.0),
        outline=SHIPPED.outline,
        feature=features,
    )


SHADOW = model(shadow=(-0.05, -0.05, 0.05))


def stages_of(*shadows, network=UNDECIDED, calibration=SHADOW):
    """(N, 3) of objects that are each alone in their exam. A shadow of None could not be measured."""
    return np.concatenate([calibrated_stages(inputs_of(shadow, network), calibration, LIMIT) for shadow in shadows])


def inputs_of(shadow, network):
    logs = network_log_probabilities(network)[None]
    return StageInputs(logs, sign_vector({"shadow": shadow})[None], np.array(network[:1]), np.array([0.99]))


def test_without_signs_the_network_decides_and_is_doubted():
    stages = stages_of(None, network=[0.2, 0.3, 0.5])[0]
    # With probability 0.1 the network does not know how far the shell is; then both are equally likely.
    np.testing.assert_allclose(stages, [0.2, 0.9 * 0.3 + 0.1 * 0.4, 0.9 * 0.5 + 0.1 * 0.4])
    assert np.isfinite(network_log_probabilities([0.0, 0.0, 1.0])).all()


def test_a_deeper_shadow_makes_calcified_more_likely():
    stages = stages_of(-20.0, 0.0, 20.0, 60.0)
    np.testing.assert_allclose(stages.sum(1), 1.0)
    np.testing.assert_allclose(stages[:, 0], 1 / 3)  # a follicle stays as likely as it was
    assert (np.diff(stages[:, 2]) > 0).all()
    np.testing.assert_allclose(stages[1], 1 / 3)


def test_a_sign_outside_the_calibrated_range_counts_as_its_limit_and_leaves_doubt():
    at_limit, beyond = stages_of(100.0, 1000.0, network=CALCIFIED)
    assert at_limit[2] > LIMIT
    assert beyond[2] == pytest.approx(LIMIT)


def test_a_sign_that_could_not_be_measured_counts_as_an_average_one():
    np.testing.assert_allclose(stages_of(None), 1 / 3)


def test_higher_temperatures_are_less_sure():
    for name in ("signs_temperature", "network_temperature"):
        warm = SHADOW.model_copy(update={name: 3.0})
        assert stages_of(20.0, network=CALCIFIED, calibration=warm).max() < stages_of(20.0, network=CALCIFIED).max()


@pytest.mark.parametrize(
    ("shadow", "network", "stage", "is_sure"),
    [
        (60.0, CALCIFIED, 2, True),  # both say so
        (None, CALCIFIED, 2, False),  # no sign was measured
        (20.0, THIN, 1, False),  # the signs are not sure, but point elsewhere
        (90.0, THIN, 2, False),  # the signs are surer than a network ever is trusted to be
        (90.0, FOLLICLE, 0, False),  # whether there is a shell is not for these signs to say
        (150.0, CALCIFIED, 2, False),  # unlike anything learned from
    ],
)
def test_no_stage_is_sure_unless_network_and_signs_agree(shadow, network, stage, is_sure):
    stages = stages_of(shadow, network=network)[0]
    assert stages.argmax() == stage
    assert stages.sum() == pytest.approx(1.0)
    assert (stages.max() > LIMIT) == is_sure
    assert stages.max() <= LIMIT or is_sure


@given(st.lists(st.floats(-200, 200), min_size=3, max_size=3), st.integers(0, 2), st.floats(0.6, 0.99))
def test_the_limit_holds_whenever_signs_and_network_differ(weights, said, limit):
    calibration = model(shadow=tuple(weight / 100 for weight in weights))
    network = np.full(3, 0.001)
    network[said] = 0.998
    stages = calibrated_stages(inputs_of(50.0, network), calibration, limit)[0]
    assert stages.sum() == pytest.approx(1.0)
    if np.argmax(weights) != said and max(weights) > sorted(weights)[1] + 1:
        assert stages.max() <= limit + 1e-12


def test_evidence_is_read_back_from_the_published_result():
    signs = {"rim": 40.0, "shadow": None, "interior": -20.0, "middle": 0.0, "unevenness": 9.0, "rim_px": 3.0}
    egg = {"network_stages": {"follicle": 0.1, "thin-shelled": 0.2, "calcified": 0.7}, "signs": {"grey": signs}}
    np.testing.assert_array_equal(read_sign_vector(egg), sign_vector(signs))
    assert np.isnan(read_sign_vector(egg)[SIGN_NAMES.index("shadow")])
    assert np.isnan(read_sign_vector(egg | {"signs": None})).all()
    assert read_network_log_probabilities(egg) == pytest.approx(np.log([0.1, 0.2, 0.7]))
