"""Learns the calibration of a network's stages and outlines from eggs whose ground truth is known.

The weights of the signs are fitted on all eggs whose signs were measured. Their temperature is fitted by two-fold
cross-validation over the animals: the weights fitted on one half predict the stages of the other half, so that the
temperature rests on eggs that the weights have not seen. The network gets a temperature of its own and has no part in
the weights of the signs: it is so good on phantoms that nothing would be left for them to explain. The errors of
outlines are learned from the same eggs: in the same frames, the true outlines went through the same arithmetic as the
found ones.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import compress

import numpy as np
from numpy.typing import NDArray
from scipy.optimize import minimize, minimize_scalar

from models.errors import ClutchlightError
from pipeline.bench.matched_eggs import MatchedEgg
from pipeline.calibration_tables import (
    NetworkCalibration,
    OutlineCalibration,
    OutlineErrorModel,
    StageFeature,
    StageFeatures,
)
from pipeline.estimate.section_summary import summarise_sections
from pipeline.estimate.stage_model import SIGN_NAMES, read_network_log_probabilities, read_sign_vector

__all__ = ["TooFewEggsError", "calibrate_network"]

Floats = NDArray[np.float64]
Stages = NDArray[np.int64]


@dataclass(frozen=True)
class FitConstants:
    """Constants of the fit: common practice, no source, unless stated.

    min_eggs_per_stage : fewer of any stage are too few to learn from
    min_passages : fewer passages through the middle of an egg leave the previous errors of outlines
    min_sections : of an egg in one clip, for its outlines to be used
    ridge : penalty on the weights of standardised signs, so that a sign that few eggs show does not decide, in units of
    log-likelihood of one egg, chosen by the likelihood of held-out halves of the animals
    bias_ridge : penalty on the bias, only so large that the bias is unique
    clip_quantiles : of each sign among the eggs; values beyond them are clipped, and are unlike what was learned from
    ratio_scale_bounds, temperature_bounds : limits of what may be learned
    """

    min_eggs_per_stage: int = 5
    min_passages: int = 10
    min_sections: int = 10
    ridge: float = 1.0
    bias_ridge: float = 1e-3
    clip_quantiles: tuple[float, float] = (0.01, 0.99)
    ratio_scale_bounds: tuple[float, float] = (0.3, 1.5)
    temperature_bounds: tuple[float, float] = (0.3, 5.0)


_FIT = FitConstants()


class TooFewEggsError(ClutchlightError):
    """Too few eggs of a stage to learn from."""


def calibrate_network(eggs: Sequence[MatchedEgg], *, previous: OutlineCalibration) -> NetworkCalibration:
    """The calibration that the eggs give.

    previous : the errors of outlines that are kept where too few passages were found to learn them

    Raises TooFewEggsError where there are fewer than five eggs of a stage.
    """
    stages = np.array([egg.stage for egg in eggs], dtype=np.int64)
    signs = np.stack([read_sign_vector(egg.reported) for egg in eggs]) if eggs else np.empty((0, len(SIGN_NAMES)))
    is_measured = np.asarray(~np.isnan(signs).all(1))
    numbers = np.bincount(stages[is_measured], minlength=3)
    if min(numbers) < _FIT.min_eggs_per_stage:
        raise TooFewEggsError(
            f"Follicles, thin-shelled and calcified eggs found whose signs of a shell could be measured: "
            f"{', '.join(map(str, numbers))}; at least {_FIT.min_eggs_per_stage} of each are needed. Write a data set "
            "with more animals."
        )
    by_signs = _fit_signs(signs[is_measured], stages[is_measured], [egg.animal for egg in compress(eggs, is_measured)])
    log_probabilities = np.stack([read_network_log_probabilities(egg.reported) for egg in eggs])
    shelled = _fit_outline_errors([egg for egg in eggs if egg.stage > 0], previous.shelled)
    # Follicles are nearly round and give no information on the scale.
    follicles = _fit_outline_errors(
        [egg for egg in eggs if egg.stage == 0], previous.follicles, scale=shelled.ratio_scale
    )
    return NetworkCalibration(
        eggs=len(eggs),
        shares=_rounded_triple((numbers + 1) / (numbers.sum() + 3)),  # rule of succession: none is 0
        network_temperature=_fit_temperature(log_probabilities, stages),
        signs_temperature=by_signs.temperature,
        bias=by_signs.bias,
        outline=OutlineCalibration(shelled=shelled, follicles=follicles),
        feature=by_signs.feature,
    )


@dataclass(frozen=True)
class _StagesBySigns:
    """The signs' part of the calibration."""

    temperature: float
    bias: tuple[float, float, float]
    feature: StageFeatures


def _fit_signs(signs: Floats, stages: Stages, animals: Sequence[str]) -> _StagesBySigns:
    """From eggs whose signs (N, S) were measured, at least in part. animals : the one of each egg"""
    signs = signs.copy()
    signs[:, np.isnan(signs).all(0)] = 0.0  # a sign that no egg shows gets no weight
    index = {animal: index for index, animal in enumerate(sorted(set(animals)))}
    half = np.array([index[animal] % 2 for animal in animals])
    low, high = np.nanquantile(signs, _FIT.clip_quantiles, axis=0)
    clipped = np.clip(signs, low, high)
    mean, sd = np.nanmean(clipped, axis=0), np.maximum(np.nanstd(clipped, axis=0), 1e-3)
    features = np.nan_to_num((clipped - mean) / sd, nan=0.0)
    bias, weights = _fit_regression(features, stages)
    return _StagesBySigns(
        temperature=_fit_temperature(_held_out_logits(features, stages, half), stages),
        bias=_rounded_triple(bias),
        feature=StageFeatures(
            **{
                name: StageFeature(
                    low=_rounded(low[row]),
                    high=_rounded(high[row]),
                    mean=_rounded(mean[row]),
                    sd=_rounded(sd[row]),
                    weights=_rounded_triple(weights[row]),
                )
                for row, name in enumerate(SIGN_NAMES)
            }
        ),
    )


def _held_out_logits(features: Floats, stages: Stages, half: Stages) -> Floats:
    """(N, 3) logits of each egg, with weights fitted on the other half of the animals. half : (N,) 0 or 1"""
    logits = np.zeros((len(stages), 3))
    for part in (0, 1):
        others, own = half != part, half == part
        bias, weights = _fit_regression(features[others], stages[others])
        logits[own] = bias + features[own] @ weights
    return logits


def _fit_regression(features: Floats, stages: Stages) -> tuple[Floats, Floats]:
    """Bias (3,) and weights (S, 3) of a penalised multinomial logistic regression on standardised signs (N, S)."""
    signs = features.shape[1]
    one_hot = np.eye(3)[stages]

    def loss(values: Floats) -> tuple[float, Floats]:
        bias, weights = values[:3], values[3:].reshape(signs, 3)
        logits = bias + features @ weights
        log_softmax = logits - np.logaddexp.reduce(logits, axis=1, keepdims=True)
        residuals = np.exp(log_softmax) - one_hot
        penalty = _FIT.ridge * (weights**2).sum() + _FIT.bias_ridge * (bias**2).sum()
        gradient = [
            residuals.sum(0) + 2 * _FIT.bias_ridge * bias,
            (features.T @ residuals + 2 * _FIT.ridge * weights).ravel(),
        ]
        return float(penalty - (log_softmax * one_hot).sum()), np.concatenate(gradient)

    fitted = minimize(loss, np.zeros(3 * (signs + 1)), jac=True, method="L-BFGS-B").x
    return fitted[:3], fitted[3:].reshape(signs, 3)


def _fit_temperature(logits: Floats, stages: Stages) -> float:
    """The temperature by which the true stages are likeliest (Guo et al., ICML 2017). logits : (N, 3)"""
    rows = np.arange(len(stages))

    def loss(log_temperature: float) -> float:
        scaled = logits / np.exp(log_temperature)
        return float((np.logaddexp.reduce(scaled, axis=1) - scaled[rows, stages]).mean())

    low, high = np.log(_FIT.temperature_bounds)
    return _rounded(np.exp(minimize_scalar(loss, bounds=(low, high), method="bounded").x))


def _fit_outline_errors(
    eggs: Sequence[MatchedEgg], previous: OutlineErrorModel, scale: float | None = None
) -> OutlineErrorModel:
    """Errors of the outlines of these eggs, ``previous`` where they have too few passages.

    scale : factor by which the elongation of sections is measured too small or too large, if it is known
    """
    width_errors, found_elongations, true_elongations = [], [], []
    for egg in eggs:
        for seen in egg.sections:
            true = summarise_sections(seen.true_ellipses)
            if len(seen.found_ellipses) >= _FIT.min_sections and true.crossed_middle:
                found = summarise_sections(seen.found_ellipses)
                width_errors.append(np.log(found.equivalent_diameter / true.equivalent_diameter))
                found_elongations.append(found.elongation_vector)
                true_elongations.append(true.elongation_vector)
    if len(width_errors) < _FIT.min_passages:
        return previous
    found_vectors, true_vectors = np.stack(found_elongations), np.stack(true_elongations)
    if scale is None:
        least_squares = (found_vectors * true_vectors).sum() / max((true_vectors**2).sum(), 1e-9)
        scale = float(np.clip(least_squares, *_FIT.ratio_scale_bounds))
    ratio_error = _robust_sd((found_vectors - scale * true_vectors).ravel())
    # A width is the equivalent diameter divided by the root of length over width.
    width_error = float(np.hypot(_robust_sd(np.array(width_errors)), ratio_error / 2))
    return OutlineErrorModel(
        passages=len(width_errors),
        width_bias=_rounded(np.median(width_errors)),
        width_error=_rounded(width_error),
        ratio_error=_rounded(ratio_error),
        ratio_scale=_rounded(scale),
    )


def _robust_sd(values: Floats) -> float:
    """Standard deviation of the normal distribution with the same central 80 %, which outliers hardly change."""
    low, high = np.quantile(values, [0.1, 0.9])
    return float((high - low) / 2.5631)  # 2.5631: width of the central 80 % of a standard normal distribution


def _rounded(value: float | np.floating) -> float:
    """To the four significant digits that the calibration file holds."""
    return float(f"{float(value):.4g}")


def _rounded_triple(values: Floats) -> tuple[float, float, float]:
    first, second, third = map(_rounded, values)
    return first, second, third
