from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from models.stages import STAGES
from models.weights_file import weights_sha256
from pipeline.bench.calibration_error import expected_calibration_error, reliability_bins
from pipeline.bench.stage_metrics import macro_f1
from pipeline.calibration.network_calibration import TooFewEggsError, calibrate_network
from pipeline.calibration_file import calibration_path, calibration_toml, load_calibration, shipped_calibration
from pipeline.estimate.stage_model import (
    read_network_log_probabilities,
    read_sign_vector,
    stages_by_network,
    stages_by_signs,
)
from tests.pipeline.bench.matched_egg_examples import matched_egg, reported_egg, section_series, shadowed_eggs

SHIPPED = shipped_calibration()


def learned(eggs):
    return calibrate_network(eggs, previous=SHIPPED.network.outline)


def predicted_stages(eggs, model):
    """By the signs alone, of which nothing else is known here."""
    return stages_by_signs(np.stack([read_sign_vector(each.reported) for each in eggs]), model)[0]


def test_the_learned_stages_are_right_and_calibrated_on_other_eggs():
    model = learned(shadowed_eggs(np.random.default_rng(1), 300))
    others = shadowed_eggs(np.random.default_rng(2), 600)
    probabilities = predicted_stages(others, model)
    true = np.array([each.stage for each in others])
    assert macro_f1(true, probabilities.argmax(1)) > 0.8  # 0.86 is the best possible with shadows so similar
    error = expected_calibration_error(reliability_bins(probabilities.max(1), probabilities.argmax(1) == true))
    assert error is not None
    assert error < 0.08
    assert model.feature.shadow.weights[2] > model.feature.shadow.weights[0]


def test_an_overconfident_network_becomes_less_confident():
    rng = np.random.default_rng(3)
    eggs = []
    for index in range(300):
        stage = index % 3
        predicted = stage if rng.random() < 0.7 else int(rng.integers(3))
        probabilities = [0.005, 0.005, 0.005]
        probabilities[predicted] = 0.99
        signs = {"shadow": rng.normal(0, 12)}  # say nothing about the stage
        eggs.append(matched_egg(stage, reported_egg(stage, probabilities, signs), animal=f"AF-{index % 12:04d}"))
    model = learned(eggs)
    logs = np.stack([read_network_log_probabilities(each.reported) for each in eggs])
    by_network = stages_by_network(logs, model)
    assert by_network.max(1).mean() == pytest.approx(0.8, abs=0.06)
    by_signs, _ = stages_by_signs(np.stack([read_sign_vector(each.reported) for each in eggs]), model)
    np.testing.assert_allclose(by_signs, 1 / 3, atol=0.1)


def test_what_the_signs_say_does_not_depend_on_the_network():
    eggs = shadowed_eggs(np.random.default_rng(7), 90)
    knowing = [replace(each, reported=each.reported | _sure_network(each.stage)) for each in eggs]
    unsure, sure = learned(eggs), learned(knowing)
    assert unsure.feature == sure.feature
    assert unsure.network_temperature != sure.network_temperature


def _sure_network(stage):
    return {"network_stages": {name: 0.98 if index == stage else 0.01 for index, name in enumerate(STAGES)}}


def test_errors_of_outlines_are_learned_from_the_true_ones():
    rng = np.random.default_rng(4)
    eggs = shadowed_eggs(rng, 60)
    bias = (0.08, 0.03, 0.03)  # follicles have another bias than eggs
    swept = [
        matched_egg(
            each.stage,
            each.reported,
            animal=each.animal,
            sections=section_series(rng, bias=bias[each.stage], scale=0.7, number=2),
        )
        for each in eggs
    ]
    outline = learned(swept).outline
    assert outline.shelled.width_bias == pytest.approx(0.03, abs=0.008)
    assert outline.follicles.width_bias == pytest.approx(0.08, abs=0.008)
    assert outline.shelled.ratio_scale == outline.follicles.ratio_scale == pytest.approx(0.7, abs=0.02)
    assert (outline.shelled.passages, outline.follicles.passages) == (80, 40)
    assert learned(eggs).outline == SHIPPED.network.outline


def test_too_few_eggs_of_a_stage_are_an_error():
    eggs = shadowed_eggs(np.random.default_rng(5), 60)
    with pytest.raises(TooFewEggsError, match="20, 20, 0; at least 5 of each"):
        learned([each for each in eggs if each.stage < 2])
    with pytest.raises(TooFewEggsError, match="0, 20, 20; at least 5 of each"):
        learned([each if each.stage else replace(each, reported=each.reported | {"signs": None}) for each in eggs])
    with pytest.raises(TooFewEggsError, match="0, 0, 0; at least 5 of each"):
        learned([])


def test_a_learned_calibration_is_read_back_unchanged(tmp_path):
    weights = tmp_path / "own.safetensors"
    weights.write_bytes(b"own")
    network = learned(shadowed_eggs(np.random.default_rng(6), 60))
    calibration = SHIPPED.model_copy(update={"weights_sha256": weights_sha256(weights), "network": network})
    calibration_path(weights).write_text(calibration_toml(calibration), encoding="utf-8")
    assert load_calibration(weights).network == network
