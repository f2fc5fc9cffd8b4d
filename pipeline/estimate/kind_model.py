"""Follicle or shelled egg, by the network and by what the picture itself shows.

The network knows phantoms, and on pictures from elsewhere it can be wrong and certain: a bright follicle in dark tissue
looks to it like a thin-shelled egg. The signs of the picture do not depend on it. A follicle is brighter inside than an
egg, has no wall all round, and casts no shadow. Both are evidence of its own kind, so their log-odds add up:

    log-odds of a follicle = bounded(network) + sum over signs of weight * (sign - neutral)

The network is taken to be plainly wrong about a small share of objects, which bounds what it can say, so that clear
signs overrule it; where the signs say little it decides. A sign that could not be measured says nothing.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.special import expit, logit

from pipeline.calibration_tables import KindWeights
from pipeline.detect.shell_signs import ShellSigns

__all__ = ["KIND_SIGNS", "bounded_log_odds", "follicle_probability", "kind_signs", "sign_log_odds"]

Floats = NDArray[np.float64]


@dataclass(frozen=True)
class _KindSign:
    """sense : in which the sign is larger in a follicle

    least, most : grey levels in that sense; a more extreme sign counts no more (common practice, no source)
    """

    sense: float
    least: float = -60.0
    most: float = 60.0


KIND_SIGNS = {
    # A bright inside is a follicle's, but a dark one may be an egg's or a young or degenerating follicle's.
    "interior": _KindSign(1.0, least=0.0),
    "wall_all_round": _KindSign(-1.0),
    "shadow": _KindSign(-1.0),
}
"""The signs that are used."""

_NETWORK_WRONG = 0.03  # share of objects about whose kind the network says nothing (judgement, no source)


def kind_signs(signs: ShellSigns | None) -> Floats:
    """(S,) in the order of KIND_SIGNS, larger in follicles, in grey levels; NaN where a sign could not be measured."""
    if signs is None:
        return np.full(len(KIND_SIGNS), np.nan)
    return np.array(
        [np.clip(sign.sense * getattr(signs, name), sign.least, sign.most) for name, sign in KIND_SIGNS.items()]
    )


def sign_log_odds(values: Floats, weights: KindWeights) -> float:
    """Of a follicle against a shelled egg. values : (S,) from `kind_signs`"""
    signs = [getattr(weights, name) for name in KIND_SIGNS]
    parts = [sign.weight * (value - sign.neutral) for sign, value in zip(signs, values.tolist(), strict=True)]
    return math.fsum(part for part in parts if not math.isnan(part))


def bounded_log_odds(follicle: float) -> float:
    """What a probability of the network is worth, if it is plainly wrong about a small share of objects."""
    probability = (1 - _NETWORK_WRONG) * follicle + _NETWORK_WRONG * (1 - follicle)
    return float(logit(probability))


def follicle_probability(by_network: float, signs: ShellSigns | None, weights: KindWeights) -> float:
    """Probability of a follicle from all the evidence. by_network : from the network alone"""
    return float(expit(bounded_log_odds(by_network) + sign_log_odds(kind_signs(signs), weights)))
