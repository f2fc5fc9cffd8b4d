"""Calibrated stage probabilities from the network's output and the signs measured on the picture.

    logits = network_weight * log(network probabilities) + bias + sum over signs of weights * (sign - mean) / sd
    stages = softmax(logits / temperature)

This is a multinomial logistic regression on top of the network's output, with one temperature (Guo et al., ICML 2017).
Signs are in grey levels. Each is clipped to the range that the calibration saw, so that a picture unlike any phantom
has no more weight than the most extreme phantom; a sign that could not be measured counts as an average one.
``clutchlight calibrate`` fits all of it and writes the table ``calibration`` of the settings.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

import numpy as np
from numpy.typing import NDArray
from scipy.special import softmax

from models.stages import STAGES
from pipeline.calibration_file import NetworkCalibration, StageFeatures

__all__ = [
    "SIGN_NAMES",
    "calibrated_stages",
    "network_log_probabilities",
    "read_network_log_probabilities",
    "read_sign_vector",
    "sign_vector",
]

Floats = NDArray[np.float64]

SIGN_NAMES = tuple(StageFeatures.model_fields)
_MIN_PROBABILITY = 1e-3  # extreme network outputs are overconfident; common practice, no source


def network_log_probabilities(network_probabilities: Sequence[float] | Floats) -> Floats:
    """(3,) logarithms of the stage probabilities from the network alone."""
    return np.asarray(np.log(np.maximum(np.asarray(network_probabilities, dtype=np.float64), _MIN_PROBABILITY)))


def sign_vector(signs: Mapping[str, float | None]) -> Floats:
    """(S,) in the order of SIGN_NAMES, NaN where a sign could not be measured. signs : by name, in grey levels"""
    return np.array([signs.get(name) for name in SIGN_NAMES], dtype=np.float64)


def read_network_log_probabilities(egg: Mapping[str, Any]) -> Floats:
    """(3,) as `network_log_probabilities`, of an egg of ``result.json``."""
    return network_log_probabilities([egg["network_stages"][name] for name in STAGES])


def read_sign_vector(egg: Mapping[str, Any]) -> Floats:
    """(S,) as `sign_vector`, of an egg of ``result.json``."""
    return sign_vector({} if egg["signs"] is None else egg["signs"]["grey"])


def calibrated_stages(log_probabilities: Floats, signs: Floats, calibration: NetworkCalibration) -> Floats:
    """(N, 3) stage probabilities of N eggs.

    log_probabilities : (N, 3) from `network_log_probabilities`;  signs : (N, S) from `sign_vector`
    """
    features = [getattr(calibration.feature, name) for name in SIGN_NAMES]
    low, high, mean, sd = (
        np.array([getattr(feature, name) for feature in features]) for name in ("low", "high", "mean", "sd")
    )
    weights = np.array([feature.weights for feature in features])
    scaled = np.nan_to_num((np.clip(signs, low, high) - mean) / sd, nan=0.0)
    logits = calibration.network_weight * log_probabilities + np.array(calibration.bias) + scaled @ weights
    return np.asarray(softmax(logits / calibration.temperature, axis=1))
