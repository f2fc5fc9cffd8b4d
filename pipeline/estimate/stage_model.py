"""The network's evidence and the signs on the picture weighed together into stages whose probabilities hold.

    logits = network_weight * log(probabilities by the network) + bias + sum over signs of weights * (sign - mean) / sd
    stages = softmax(logits / temperature)

a multinomial logistic regression on top of the network's word, with one temperature (Guo et al., ICML 2017). Signs are
in grey levels. Each is held within the range that the calibration saw, so that a picture unlike any phantom cannot
weigh more than the most extreme of them; a sign that could not be read counts as an ordinary one.
``clutchlight calibrate`` fits all of it (`pipeline.calibration_file`).
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

import numpy as np
from numpy.typing import NDArray

from pipeline.calibration_file import NetworkCalibration, StageFeatures
from pipeline.estimate.stages import STAGES

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
_LOWEST = 1e-3  # probability: no network is surer than this


def network_log_probabilities(network: Sequence[float] | Floats) -> Floats:
    """(3,) logarithms of the stages' probabilities by the network alone."""
    return np.asarray(np.log(np.maximum(np.asarray(network, dtype=np.float64), _LOWEST)))


def sign_vector(signs: Mapping[str, float | None]) -> Floats:
    """(S,) in the order of SIGN_NAMES, NaN where a sign could not be read. signs : by name, in grey levels"""
    return np.array([signs.get(name) for name in SIGN_NAMES], dtype=np.float64)


def read_network_log_probabilities(egg: Mapping[str, Any]) -> Floats:
    """(3,) as `network_log_probabilities`, of an egg of ``result.json``."""
    return network_log_probabilities([egg["network_stages"][name] for name in STAGES])


def read_sign_vector(egg: Mapping[str, Any]) -> Floats:
    """(S,) as `sign_vector`, of an egg of ``result.json``."""
    return sign_vector({} if egg["signs"] is None else egg["signs"]["grey"])


def calibrated_stages(logs: Floats, signs: Floats, calibration: NetworkCalibration) -> Floats:
    """(N, 3) probabilities of the stages of N eggs by the network's logarithms (N, 3) and the signs (N, S)."""
    known = [getattr(calibration.feature, name) for name in SIGN_NAMES]
    low, high, middle, spread = (
        np.array([getattr(one, name) for one in known]) for name in ("low", "high", "mean", "sd")
    )
    weights = np.array([one.weights for one in known])
    scaled = np.nan_to_num((np.clip(signs, low, high) - middle) / spread, nan=0.0)
    logits = (
        calibration.network_weight * logs + np.array(calibration.bias) + scaled @ weights
    ) / calibration.temperature
    chances = np.exp(logits - logits.max(1, keepdims=True))
    return np.asarray(chances / chances.sum(1, keepdims=True))
