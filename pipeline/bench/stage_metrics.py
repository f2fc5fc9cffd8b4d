"""Whether the stages of listed eggs are right, and whether their probabilities mean what they say."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from pipeline.bench.matched_eggs import MatchedEgg

__all__ = ["ReliabilityBin", "StageMetrics", "stage_metrics"]

STAGES = ("follicle", "thin-shelled", "calcified")
BINS = 10


@dataclass(frozen=True)
class ReliabilityBin:
    """Eggs whose stated probability lies in one tenth of 0 to 1. mean_probability, accuracy : of these"""

    eggs: int
    mean_probability: float
    accuracy: float


@dataclass(frozen=True)
class StageMetrics:
    """eggs : listed ones that are true objects;  confusion : rows what is true, columns what was told

    macro_f1 : mean of the F1 of the stages that occur
    kappa : agreement beyond chance, see :func:`kappa`; None too where all is one stage
    calibration_error : mean distance of said and right over the bins, weighted by eggs (expected calibration error:
    Naeini et al., AAAI 2015);  None without eggs
    network_macro_f1, network_calibration_error : the same of the network alone
    bins : by probability from 0 to 1, empty ones left out
    """

    eggs: int
    confusion: list[list[int]]
    macro_f1: float | None
    kappa: float | None
    calibration_error: float | None
    network_macro_f1: float | None
    network_calibration_error: float | None
    bins: tuple[ReliabilityBin, ...]


def stage_metrics(eggs: Sequence[MatchedEgg]) -> StageMetrics:
    """Of the stages as told."""
    if not eggs:
        return StageMetrics(0, [[0] * 3] * 3, None, None, None, None, None, ())
    true = np.array([egg.stage for egg in eggs])
    told = np.array([STAGES.index(egg.reported["stage"]) for egg in eggs])
    said = np.array([egg.reported["stage_probability"] for egg in eggs])
    alone = np.array([[egg.reported["network_stages"][name] for name in STAGES] for egg in eggs])
    bins = reliability_bins(said, told == true)
    counts = confusion(true, told)
    return StageMetrics(
        eggs=len(eggs),
        confusion=counts.tolist(),
        macro_f1=macro_f1(true, told),
        kappa=kappa(counts),
        calibration_error=calibration_error(bins),
        network_macro_f1=macro_f1(true, alone.argmax(1)),
        network_calibration_error=calibration_error(reliability_bins(alone.max(1), alone.argmax(1) == true)),
        bins=bins,
    )


def confusion(true: NDArray[np.int64], told: NDArray[np.int64]) -> NDArray[np.int64]:
    """(3, 3) numbers of eggs, rows what is true."""
    counts = np.zeros((3, 3), dtype=np.int64)
    np.add.at(counts, (true, told), 1)
    return counts


def macro_f1(true: NDArray[np.int64], told: NDArray[np.int64]) -> float:
    """Mean over the stages that are there of 2 TP / (2 TP + FP + FN)."""
    counts = confusion(true, told)
    there = counts.sum(1) > 0
    scores = 2 * np.diag(counts) / np.maximum(counts.sum(0) + counts.sum(1), 1)
    return float(scores[there].mean())


def kappa(counts: NDArray[np.int64]) -> float | None:
    """Agreement of rows and columns of (N, N) numbers, beyond what their sums alone would bring: 0 chance, 1 all
    (Cohen, Educ Psychol Meas 20:37, 1960). None where chance alone would agree throughout.
    """
    total = counts.sum()
    by_chance = float(counts.sum(0) @ counts.sum(1)) / float(total**2)
    return None if by_chance == 1.0 else (float(np.trace(counts) / total) - by_chance) / (1 - by_chance)


def reliability_bins(said: NDArray[np.float64], right: NDArray[np.bool_]) -> tuple[ReliabilityBin, ...]:
    """In ten bins of equal width."""
    place = np.minimum((said * BINS).astype(int), BINS - 1)
    chosen = [place == index for index in range(BINS)]
    return tuple(
        ReliabilityBin(int(inside.sum()), float(said[inside].mean()), float(right[inside].mean()))
        for inside in chosen
        if inside.any()
    )


def calibration_error(bins: Sequence[ReliabilityBin]) -> float:
    """Mean distance of what was said from what is right, weighted by eggs."""
    eggs = sum(each.eggs for each in bins)
    return sum(each.eggs * abs(each.mean_probability - each.accuracy) for each in bins) / eggs
