"""Calibrated stage probabilities from the signs measured on the picture and the network's output.

    by signs   = softmax((bias + sum over signs of weights * (sign - mean) / sd) / signs_temperature)
    by network = softmax(log(network probabilities) / network_temperature)
    doubted    = by network, but with probability 1 - agreed_stage_limit it says nothing about how far a shell is
    thin-shelled, calcified ~ by signs / shares * doubted

Signs come first: they are differences of grey levels that mean the same on every machine, while a network may be sure
and wrong on pictures unlike those it learned from. So the two are learned apart, each with its own temperature (Guo et
al., ICML 2017), and are multiplied as independent evidence, ``shares`` being those of the stages where they were
learned. Learned together, the network would decide alone, since on phantoms it is hardly ever wrong. Whether there is a
shell at all is decided by `kind_model`.

No stage is stated above ``agreed_stage_limit`` where the signs alone and the network alone point to different stages,
where no sign could be measured, or where a sign lies outside the range that the calibration saw. Such a sign is clipped
to that range, so that it has no more weight than the most extreme phantom. A single sign that could not be measured
counts as an average one. Before that, the shelled eggs of a clutch share what they show (`clutch_shares`).

``clutchlight calibrate`` learns all of it and writes it to the calibration file of the network.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray
from scipy.special import softmax

from models.stages import STAGES
from pipeline.calibration_tables import NetworkCalibration, StageFeatures
from pipeline.estimate.clutch_shares import share_within_clutch

__all__ = [
    "SIGN_NAMES",
    "StageInputs",
    "calibrated_stages",
    "network_log_probabilities",
    "read_network_log_probabilities",
    "read_sign_vector",
    "sign_vector",
    "stages_by_network",
    "stages_by_signs",
]

Floats = NDArray[np.float64]
Mask = NDArray[np.bool_]

SIGN_NAMES = tuple(StageFeatures.model_fields)
_MIN_PROBABILITY = 1e-3  # extreme network outputs are overconfident; common practice, no source


@dataclass(frozen=True)
class StageInputs:
    """The evidence for the stages of N objects of one exam.

    log_probabilities : (N, 3) from `network_log_probabilities`;  signs : (N, S) from `sign_vector`
    follicle : (N,) probability that each has no shell, from `kind_model.follicle_probability`
    existence : (N,) probability that each is real
    """

    log_probabilities: Floats
    signs: Floats
    follicle: Floats
    existence: Floats


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


def calibrated_stages(inputs: StageInputs, calibration: NetworkCalibration, agreed_stage_limit: float) -> Floats:
    """(N, 3) stage probabilities of the objects of one exam.

    agreed_stage_limit : highest probability of a stage on which network and signs do not agree
    """
    by_signs, is_outside = stages_by_signs(inputs.signs, calibration)
    by_network = stages_by_network(inputs.log_probabilities, calibration)
    is_measured = np.asarray(~np.isnan(inputs.signs).all(1))
    usual_shares = np.array(calibration.shares[1:])
    doubt = 1 - agreed_stage_limit
    shelled = (1 - doubt) * by_network[:, 1:] + doubt * by_network[:, 1:].mean(1, keepdims=True)
    shelled *= np.where(is_measured[:, None], by_signs[:, 1:] / usual_shares, 1.0)
    shelled *= (1 - inputs.follicle[:, None]) / shelled.sum(1, keepdims=True)
    stages = np.column_stack([inputs.follicle, shelled])
    stages = share_within_clutch(stages, is_measured, inputs.existence, usual_shares)
    is_agreed = is_measured & ~is_outside & (by_signs.argmax(1) == by_network.argmax(1))
    return np.where(is_agreed[:, None], stages, _limited(stages, agreed_stage_limit))


def stages_by_network(log_probabilities: Floats, calibration: NetworkCalibration) -> Floats:
    """(N, 3) stage probabilities from the network alone. log_probabilities : (N, 3)"""
    return np.asarray(softmax(log_probabilities / calibration.network_temperature, axis=1))


def stages_by_signs(signs: Floats, calibration: NetworkCalibration) -> tuple[Floats, Mask]:
    """(N, 3) stage probabilities from the signs (N, S) alone, and (N,) whether a sign is outside the learned range."""
    features = [getattr(calibration.feature, name) for name in SIGN_NAMES]
    low, high, mean, sd = (
        np.array([getattr(feature, name) for feature in features]) for name in ("low", "high", "mean", "sd")
    )
    weights = np.array([feature.weights for feature in features])
    scaled = np.nan_to_num((np.clip(signs, low, high) - mean) / sd, nan=0.0)
    logits = (np.array(calibration.bias) + scaled @ weights) / calibration.signs_temperature
    return np.asarray(softmax(logits, axis=1)), np.asarray(((signs < low) | (signs > high)).any(1))


def _limited(stages: Floats, limit: float) -> Floats:
    """(N, 3) with no probability above the limit; what is cut off goes to the other stages in proportion."""
    is_highest = np.arange(stages.shape[1]) == stages.argmax(1)[:, None]
    others = np.where(is_highest, 0.0, stages)
    limited = np.where(is_highest, limit, (1 - limit) * others / others.sum(1, keepdims=True))
    return np.where(stages.max(1, keepdims=True) > limit, limited, stages)
