"""Whether the flags find the wrong results: the share of wrong results among the animals that nobody reviews.

The animals are put in the order in which a person reviews them, as in ``index.html``: those for the vet today, those to
be checked, and the rest, each group by uncertainty. A risk-coverage curve (El-Yaniv and Wiener 2010, from memory) gives
the share of wrong results among the animals that are not reviewed (risk) for every share of such animals (coverage).
The captured share is the share of all wrong results that are among the reviewed animals, the first quarter. A result is
wrong if its count is off by more than one egg, or if its stage is wrong. For wrong counts alone the captured share is
also given in a second order: by the stated confidence that the count is within one, the lowest first, without flags.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from pipeline.bench.count_comparison import CountComparison
from pipeline.estimate.flags.catalogue import SEVERITIES

__all__ = ["RiskCoverage", "risk_coverage"]

_TOLERATED_ERROR = 1  # eggs
_REVIEWED_SHARE = 0.25  # of the animals; a person has time for this share, by the goal of the project


@dataclass(frozen=True)
class RiskCoverage:
    """How well the order of review finds the wrong results.

    animals : with a result;  wrong, wrong_by_count, wrong_by_stage : wrong at all, by count, by stage
    reviewed_animals : the number in the first quarter
    captured : share of the wrong results among these, None if nothing is wrong
    captured_ideal, captured_random : the same for a perfect and for a random order
    wrong_counts_captured : share of the wrong counts among the first quarter, None if no count is wrong
    wrong_counts_least_confident : share of them among the quarter with the lowest confidence
    wrong_counts_ideal : the same for a perfect order
    coverage, risk : (animals + 1,) from all animals unreviewed to none; the risk of none is 0
    """

    animals: int
    wrong: int
    wrong_by_count: int
    wrong_by_stage: int
    reviewed_animals: int
    captured: float | None
    captured_ideal: float | None
    captured_random: float | None
    wrong_counts_captured: float | None
    wrong_counts_least_confident: float | None
    wrong_counts_ideal: float | None
    coverage: tuple[float, ...]
    risk: tuple[float, ...]


def risk_coverage(rows: Sequence[CountComparison]) -> RiskCoverage:
    """The curve over the animals of one data set. Those without a result, or without a stated stage, are left out."""
    done = sorted((row for row in rows if row.estimate is not None and row.stage is not None), key=_review_order)
    is_count_wrong = np.array([_is_count_wrong(row) for row in done], dtype=bool)
    by_confidence = np.array([_is_count_wrong(row) for row in sorted(done, key=_confidence_order)], dtype=bool)
    is_stage_wrong = np.array([row.stage != _expected_stage(row.stage_crossed) for row in done], dtype=bool)
    is_wrong = is_count_wrong | is_stage_wrong
    reviewed = round(_REVIEWED_SHARE * len(done))
    return RiskCoverage(
        animals=len(done),
        wrong=int(is_wrong.sum()),
        wrong_by_count=int(is_count_wrong.sum()),
        wrong_by_stage=int(is_stage_wrong.sum()),
        reviewed_animals=reviewed,
        captured=_share_among_first(is_wrong, reviewed),
        captured_ideal=_ideal_share(is_wrong, reviewed),
        captured_random=reviewed / len(done) if is_wrong.any() else None,
        wrong_counts_captured=_share_among_first(is_count_wrong, reviewed),
        wrong_counts_least_confident=_share_among_first(by_confidence, reviewed),
        wrong_counts_ideal=_ideal_share(is_count_wrong, reviewed),
        coverage=tuple(1 - number / max(len(done), 1) for number in range(len(done) + 1)),
        risk=_risk(is_wrong),
    )


def _is_count_wrong(row: CountComparison) -> bool:
    return abs((row.estimate or 0) - row.crossed) > _TOLERATED_ERROR


def _share_among_first(is_wrong: NDArray[np.bool_], number: int) -> float | None:
    return float(is_wrong[:number].sum() / is_wrong.sum()) if is_wrong.any() else None


def _ideal_share(is_wrong: NDArray[np.bool_], number: int) -> float | None:
    return min(1.0, number / int(is_wrong.sum())) if is_wrong.any() else None


def _confidence_order(row: CountComparison) -> tuple[float, str]:
    return row.confidence or 0.0, row.animal


def _review_order(row: CountComparison) -> tuple[int, float, str]:
    # The probability that the count is within one and the stage right, if the two were independent.
    count_and_stage_probability = (row.confidence or 0.0) * (row.stage_probability or 0.0)
    return _urgency_rank(row.severity), count_and_stage_probability, row.animal


def _urgency_rank(severity: str | None) -> int:
    """From 0, the most urgent. A note asks for no review, and ranks with no flag at all."""
    ranks: dict[str, int] = {name: rank for rank, name in enumerate(SEVERITIES)}
    return ranks["note"] if severity is None else ranks[severity]


def _expected_stage(stage_crossed: str) -> str:
    return "none seen" if stage_crossed == "none" else stage_crossed


def _risk(is_wrong: NDArray[np.bool_]) -> tuple[float, ...]:
    """The share of wrong results among those that remain after the first 0, 1, 2, ... were reviewed."""
    remaining = np.append(np.cumsum(is_wrong[::-1])[::-1], 0)
    return tuple((remaining / np.maximum(np.arange(len(is_wrong), -1, -1), 1)).tolist())
