"""Stage model and errors of sections learned from eggs whose truth is known, and the file that holds them.

The weights are fitted on all eggs. For the temperature the animals are parted in two: weights fitted on either half say
what they think of the other, so that it is not learned from eggs that the weights have seen. What a section's outline
is wrong by is read off the same eggs: in the same frames the true outlines went through the same arithmetic.
"""

from __future__ import annotations

import datetime as dt
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.optimize import minimize, minimize_scalar

from models.errors import ClutchlightError
from pipeline.bench.matched_eggs import MatchedEgg
from pipeline.estimate.section_summary import summarise_sections
from pipeline.estimate.stage_model import SIGN_NAMES, read_network_log_probabilities, read_sign_vector
from pipeline.settings import NetworkCalibration, OutlineCalibration, OutlineErrorModel, StageFeature, StageFeatures

__all__ = ["TooFewEggsError", "calibrate_network", "network_calibration_toml"]

Floats = NDArray[np.float64]

MIN_EGGS_PER_STAGE = 5  # of every stage
MIN_PASSAGES = 10
MIN_SECTIONS = 10  # of an egg in a clip, to learn the errors from
# Strengths of the ridges in eggs' worth of log-likelihood, by likelihood on the halves of animals that the weights had
# not seen: on weights of standardised signs and the bias, which keeps a sign that few eggs show from deciding, and on
# how far the network's word weighs other than once.
RIDGE, NETWORK_RIDGE = 10.0, 2.0
FEATURE_QUANTILES = (0.01, 0.99)  # of each feature among the eggs; beyond it pictures are unlike them


class TooFewEggsError(ClutchlightError):
    """Too few eggs of a stage to learn from."""


def calibrate_network(
    eggs: Sequence[MatchedEgg], *, command: str, date: dt.date, weights_sha256: str, previous: NetworkCalibration
) -> NetworkCalibration:
    """What the eggs teach. previous : its errors of outlines are kept where too few passages tell of them.

    Raises TooFewEggsError where a stage has fewer than five eggs.
    """
    stages = np.array([egg.stage for egg in eggs], dtype=np.int64)
    if min(np.bincount(stages, minlength=3)) < MIN_EGGS_PER_STAGE:
        numbers = ", ".join(map(str, np.bincount(stages, minlength=3)))
        raise TooFewEggsError(
            f"Follicles, thin-shelled and calcified eggs found: {numbers}; at least {MIN_EGGS_PER_STAGE} of each are needed. "
            "Write a data set with more animals."
        )
    logs = np.stack([read_network_log_probabilities(egg.reported) for egg in eggs])
    signs = np.stack([read_sign_vector(egg.reported) for egg in eggs])
    signs[:, np.isnan(signs).all(0)] = 0.0  # a sign that no egg shows decides nothing
    animals = {animal: place for place, animal in enumerate(sorted({egg.animal for egg in eggs}))}
    half = np.array([animals[egg.animal] % 2 for egg in eggs])
    low, high = np.nanquantile(signs, FEATURE_QUANTILES, axis=0)
    held = np.clip(signs, low, high)
    middle, spread = np.nanmean(held, axis=0), np.maximum(np.nanstd(held, axis=0), 1e-3)
    columns = np.nan_to_num((held - middle) / spread, nan=0.0)
    fit = _regression(logs, columns, stages)
    described = StageFeatures(
        **{
            name: StageFeature(
                low=_rounded(low[place]),
                high=_rounded(high[place]),
                mean=_rounded(middle[place]),
                sd=_rounded(spread[place]),
                weights=_triple(fit.weights[place]),
            )
            for place, name in enumerate(SIGN_NAMES)
        }
    )
    shelled = _outline_errors([egg for egg in eggs if egg.stage > 0], previous.outline.shelled)
    # Follicles are nearly round.
    follicles = [egg for egg in eggs if egg.stage == 0]
    follicle = _outline_errors(follicles, previous.outline.follicle, scale=shelled.ratio_scale)
    return NetworkCalibration(
        command=command,
        date=date,
        weights_sha256=weights_sha256,
        eggs=len(eggs),
        temperature=_temperature(_unseen_logits(logs, columns, stages, half), stages),
        network_weight=_rounded(fit.network),
        bias=_triple(fit.bias),
        outline=OutlineCalibration(shelled=shelled, follicle=follicle),
        feature=described,
    )


@dataclass(frozen=True)
class _Fit:
    """network : weight of its logarithms;  bias : (3,);  weights : (S, 3)"""

    network: float
    bias: Floats
    weights: Floats

    def logits(self, logs: Floats, columns: Floats) -> Floats:
        return np.asarray(self.network * logs + self.bias + columns @ self.weights)


def _unseen_logits(logs: Floats, columns: Floats, stages: NDArray[np.int64], half: NDArray[np.int64]) -> Floats:
    """(N, 3) logits of each egg by weights fitted on the other half of the animals."""
    logits = np.zeros((len(stages), 3))
    for part in (0, 1):
        others, own = half != part, half == part
        logits[own] = _regression(logs[others], columns[others], stages[others]).logits(logs[own], columns[own])
    return logits


def _regression(logs: Floats, columns: Floats, stages: NDArray[np.int64]) -> _Fit:
    """The multinomial logistic regression on logarithms (N, 3) and standardised signs (N, S), with its ridges."""
    number = columns.shape[1]
    wanted = np.eye(3)[stages]

    def unpacked(values: Floats) -> _Fit:
        return _Fit(float(values[0]), values[1:4], values[4:].reshape(number, 3))

    def loss(values: Floats) -> tuple[float, Floats]:
        fit = unpacked(values)
        logits = fit.logits(logs, columns)
        log_chances = logits - np.logaddexp.reduce(logits, axis=1, keepdims=True)
        wrong = np.exp(log_chances) - wanted
        ridges = RIDGE * ((fit.weights**2).sum() + (fit.bias**2).sum()) + NETWORK_RIDGE * (fit.network - 1) ** 2
        slopes = [
            np.array([(wrong * logs).sum() + 2 * NETWORK_RIDGE * (fit.network - 1)]),
            wrong.sum(0) + 2 * RIDGE * fit.bias,
            (columns.T @ wrong + 2 * RIDGE * fit.weights).ravel(),
        ]
        return float(ridges - (log_chances * wanted).sum()), np.concatenate(slopes)

    start = np.concatenate([[1.0], np.zeros(3 * (number + 1))])
    bounds = [(0.0, 10.0), *[(None, None)] * (len(start) - 1)]
    return unpacked(minimize(loss, start, jac=True, method="L-BFGS-B", bounds=bounds).x)


def _temperature(plain: Floats, stages: NDArray[np.int64]) -> float:
    rows = np.arange(len(stages))

    def loss(log_temperature: float) -> float:
        logits = plain / np.exp(log_temperature)
        return float((np.logaddexp.reduce(logits, axis=1) - logits[rows, stages]).mean())

    return _rounded(np.exp(minimize_scalar(loss, bounds=(np.log(0.3), np.log(5.0)), method="bounded").x))


def _outline_errors(
    eggs: Sequence[MatchedEgg], previous: OutlineErrorModel, scale: float | None = None
) -> OutlineErrorModel:
    """scale : by which long sections are drawn too round or too long, where that is known: round ones tell nothing of
    it. What is left is the error of all.
    """
    widths, found_stretches, true_stretches = [], [], []
    for egg in eggs:
        for seen in egg.sections:
            true = summarise_sections(seen.true_ellipses)
            if len(seen.found_ellipses) >= MIN_SECTIONS and true.crossed_middle:
                found = summarise_sections(seen.found_ellipses)
                widths.append(np.log(found.equivalent_diameter / true.equivalent_diameter))
                found_stretches.append(found.elongation_vector)
                true_stretches.append(true.elongation_vector)
    if len(widths) < MIN_PASSAGES:
        return previous
    told, true_vectors = np.stack(found_stretches), np.stack(true_stretches)
    if scale is None:
        scale = float(np.clip((told * true_vectors).sum() / max((true_vectors**2).sum(), 1e-9), 0.3, 1.5))
    ratio_error = _deviation((told - scale * true_vectors).ravel())
    # A width is a breadth over the square root of the stretch.
    width_error = float(np.hypot(_deviation(np.array(widths)), ratio_error / 2))
    return OutlineErrorModel(
        passages=len(widths),
        width_bias=_rounded(np.median(widths)),
        width_error=_rounded(width_error),
        ratio_error=_rounded(ratio_error),
        ratio_scale=_rounded(scale),
    )


def _deviation(values: Floats) -> float:
    """Standard deviation of a normal distribution with the same central four fifths: a few strays weigh little."""
    low, high = np.quantile(values, [0.1, 0.9])
    return float((high - low) / 2.5631)


def network_calibration_toml(calibration: NetworkCalibration) -> str:
    """The file, as a table of the settings."""
    head = calibration.model_dump(mode="json", exclude={"feature", "outline"})
    lines = [
        "# Written by the command below, on phantoms of a seed used for nothing else. Run it again for other weights.",
        "# Features and weights: pipeline/estimate/stage_model.py. Errors of outlines in log units.",
        "",
        "[calibration]",
        *(f"{name} = {_toml(value, name)}" for name, value in head.items()),
    ]
    for table, parts in (("outline", calibration.outline), ("feature", calibration.feature)):
        for name, part in parts:
            lines += ["", f"[calibration.{table}.{name}]"]
            lines += [f"{key} = {_toml(value, key)}" for key, value in part.model_dump().items()]
    return "\n".join([*lines, ""])


def _toml(value: object, name: str) -> str:
    if isinstance(value, str):
        return value if name == "date" else '"' + value.replace("\\", "\\\\").replace('"', '\\"') + '"'
    return str(list(value)) if isinstance(value, list | tuple) else str(value)


def _rounded(value: float | np.floating) -> float:
    return float(f"{float(value):.4g}")


def _triple(values: Floats) -> tuple[float, float, float]:
    first, second, third = map(_rounded, values)
    return first, second, third
