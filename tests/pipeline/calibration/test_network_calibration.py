from __future__ import annotations

import datetime as dt

import numpy as np
import pytest

from pipeline.bench.calibration_error import expected_calibration_error, reliability_bins
from pipeline.bench.stage_metrics import macro_f1
from pipeline.calibration.network_calibration import TooFewEggsError, calibrate_network, network_calibration_toml
from pipeline.estimate.stage_model import calibrated_stages, read_network_log_probabilities, read_sign_vector
from pipeline.settings import load_settings
from tests.pipeline.bench.matched_egg_examples import matched_egg, reported_egg, section_series, shadowed_eggs

FORMER = load_settings().calibration
WORDS = {"command": 'clutchlight calibrate "x"', "date": dt.date(2026, 5, 1), "weights_sha256": "a" * 64}


def learned(eggs):
    return calibrate_network(eggs, previous=FORMER, **WORDS)


def chances_of(eggs, model):
    logs, signs = (
        np.stack([read(each.reported) for each in eggs]) for read in (read_network_log_probabilities, read_sign_vector)
    )
    return calibrated_stages(logs, signs, model)


def test_what_is_learned_holds_for_other_eggs():
    model = learned(shadowed_eggs(np.random.default_rng(1), 300))
    others = shadowed_eggs(np.random.default_rng(2), 600)
    chances = chances_of(others, model)
    true = np.array([each.stage for each in others])
    assert macro_f1(true, chances.argmax(1)) > 0.8  # 0.86 is the best that can be had of shadows so alike
    error = expected_calibration_error(reliability_bins(chances.max(1), chances.argmax(1) == true))
    assert error is not None
    assert error < 0.08
    assert model.feature.shadow.weights[2] > model.feature.shadow.weights[0]


def test_a_network_that_is_too_sure_is_cooled_down():
    rng = np.random.default_rng(3)
    eggs = []
    for index in range(300):
        stage = index % 3
        said = stage if rng.random() < 0.7 else int(rng.integers(3))
        chances = [0.005, 0.005, 0.005]
        chances[said] = 0.99
        eggs.append(matched_egg(stage, reported_egg(stage, chances), animal=f"AF-{index % 12:04d}"))
    model = learned(eggs)
    chances = chances_of(eggs, model)
    assert chances.max(1).mean() == pytest.approx(0.8, abs=0.06)


def test_errors_of_sections_are_read_off_the_true_ones():
    rng = np.random.default_rng(4)
    eggs = shadowed_eggs(rng, 60)
    bias = (0.08, 0.03, 0.03)  # follicles are drawn too large by another share than eggs
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
    assert outline.follicle.width_bias == pytest.approx(0.08, abs=0.008)
    assert outline.shelled.ratio_scale == outline.follicle.ratio_scale == pytest.approx(0.7, abs=0.02)
    assert (outline.shelled.passages, outline.follicle.passages) == (80, 40)
    assert learned(eggs).outline == FORMER.outline


def test_too_few_eggs_of_a_stage_teach_nothing():
    with pytest.raises(TooFewEggsError, match="20, 20, 0; at least 5 of each"):
        learned([each for each in shadowed_eggs(np.random.default_rng(5), 60) if each.stage < 2])


def test_the_file_is_read_back_as_settings(tmp_path):
    model = learned(shadowed_eggs(np.random.default_rng(6), 60))
    path = tmp_path / "mine.toml"
    path.write_text(network_calibration_toml(model), encoding="utf-8")
    assert load_settings(path).calibration == model
