"""Whether the stages of listed eggs are right, and whether their probabilities are calibrated."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from models.stages import STAGES
from pipeline.bench.calibration_error import ReliabilityBin, expected_calibration_error, reliability_bins
from pipeline.bench.matched_eggs import MatchedEgg

__all__ = ["StageMetrics", "cohen_kappa", "macro_f1", "stage_confusion", "stage_metrics"]


@dataclass(frozen=True)
class StageMetrics:
    """Metrics of the stages; None without an egg.

    eggs : listed eggs that match a true object;  confusion : rows are true stages, columns reported ones
    accuracy : share whose stage is right;  highest_wrong_probability : stated for a wrong stage, None without one
    macro_f1 : mean F1 of the stages that occur;  kappa : see `cohen_kappa`
    calibration_error : expected calibration error of the stated probabilities
    network_macro_f1, network_calibration_error : the same for the network alone
    bins : of the reliability diagram
    """

    eggs: int
    confusion: list[list[int]]
    accuracy: float | None
    highest_wrong_probability: float | None
    macro_f1: float | None
    kappa: float | None
    calibration_error: float | None
    network_macro_f1: float | None
    network_calibration_error: float | None
    bins: tuple[ReliabilityBin, ...]


def stage_metrics(eggs: Sequence[MatchedEgg]) -> StageMetrics:
    """The metrics of the reported stages."""
    if not eggs:
        return StageMetrics(0, [[0] * len(STAGES)] * len(STAGES), None, None, None, None, None, None, None, ())
    true = np.array([egg.stage for egg in eggs])
    reported = np.array([STAGES.index(egg.reported["stage"]) for egg in eggs])
    probability = np.array([egg.reported["stage_probability"] for egg in eggs])
    network = np.array([[egg.reported["network_stages"][name] for name in STAGES] for egg in eggs])
    bins = reliability_bins(probability, reported == true)
    confusion = stage_confusion(true, reported)
    return StageMetrics(
        eggs=len(eggs),
        confusion=confusion.tolist(),
        accuracy=float((reported == true).mean()),
        highest_wrong_probability=max(probability[reported != true].tolist(), default=None),
        macro_f1=macro_f1(true, reported),
        kappa=cohen_kappa(confusion),
        calibration_error=expected_calibration_error(bins),
        network_macro_f1=macro_f1(true, network.argmax(1)),
        network_calibration_error=expected_calibration_error(
            reliability_bins(network.max(1), network.argmax(1) == true)
        ),
        bins=bins,
    )


def stage_confusion(true: NDArray[np.int64], reported: NDArray[np.int64]) -> NDArray[np.int64]:
    """(3, 3) numbers of eggs; rows are true stages, columns reported ones."""
    counts = np.zeros((len(STAGES), len(STAGES)), dtype=np.int64)
    np.add.at(counts, (true, reported), 1)
    return counts


def macro_f1(true: NDArray[np.int64], reported: NDArray[np.int64]) -> float:
    """The mean of 2 TP / (2 TP + FP + FN) over the stages that occur."""
    counts = stage_confusion(true, reported)
    occurs = counts.sum(1) > 0
    scores = 2 * np.diag(counts) / np.maximum(counts.sum(0) + counts.sum(1), 1)
    return float(scores[occurs].mean())


def cohen_kappa(counts: NDArray[np.int64]) -> float | None:
    """Agreement of the rows and columns of (N, N) numbers beyond chance: 0 by chance, 1 complete
    (Cohen, Educ Psychol Meas 20:37, 1960). None where chance alone would agree completely.
    """
    total = counts.sum()
    by_chance = float(counts.sum(0) @ counts.sum(1)) / float(total**2)
    return None if by_chance == 1.0 else (float(np.trace(counts) / total) - by_chance) / (1 - by_chance)
