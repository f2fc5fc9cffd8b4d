"""The network's evidence and the signs on the picture weighed together into stages whose probabilities hold.

    logits = bias + sum over features of weights * (feature - middle) / spread
    stages = softmax(logits / temperature)

a multinomial logistic regression with one temperature (Guo et al., ICML 2017). Features: the network's two log-odds
and the signs in grey levels. Each is held within the range that the calibration saw, so that a picture unlike any
phantom cannot weigh more than the most extreme of them; a sign that could not be read counts as an ordinary one.
``clutchlight calibrate`` fits all of it and writes the table ``calibration`` of the settings.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

import numpy as np
from numpy.typing import NDArray

from pipeline.estimate.stages import STAGES
from pipeline.settings import Calibration, Features

__all__ = ["FEATURES", "calibrated_stages", "egg_features", "features_told"]

Floats = NDArray[np.float64]

FEATURES = tuple(Features.model_fields)
_LOWEST = 1e-3  # probability: no network is surer than this


def egg_features(network: Sequence[float] | Floats, signs: Mapping[str, float | None]) -> Floats:
    """(F,) in the order of FEATURES, NaN where a sign could not be read.

    network : (3,) probabilities of the stages by the network alone;  signs : by name, in grey levels

    The first two features are the log-odds of shelled against follicle, and of calcified against thin-shelled.
    """
    follicle, thin, calcified = np.maximum(np.asarray(network, dtype=np.float64), _LOWEST)
    odds = [np.log((thin + calcified) / follicle), np.log(calcified / thin)]
    read = [signs.get(name) for name in FEATURES[len(odds) :]]
    return np.array([*odds, *read], dtype=np.float64)


def features_told(egg: Mapping[str, Any]) -> Floats:
    """(F,) of an egg of ``result.json``."""
    signs = egg["signs"]
    return egg_features([egg["network_stages"][name] for name in STAGES], {} if signs is None else signs["grey"])


def calibrated_stages(features: Floats, calibration: Calibration) -> Floats:
    """(N, 3) probabilities of the stages of N eggs with features (N, F)."""
    known = [getattr(calibration.feature, name) for name in FEATURES]
    low, high, middle, spread = (
        np.array([getattr(one, name) for one in known]) for name in ("low", "high", "middle", "spread")
    )
    weights = np.array([one.weights for one in known])
    scaled = (np.clip(features, low, high) - middle) / spread
    logits = (np.array(calibration.bias) + np.nan_to_num(scaled, nan=0.0) @ weights) / calibration.temperature
    chances = np.exp(logits - logits.max(1, keepdims=True))
    return np.asarray(chances / chances.sum(1, keepdims=True))
