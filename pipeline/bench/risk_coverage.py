"""Whether the flags point at the right animals: how much goes wrong among those that nobody would look at.

Animals are put in the order in which a person is sent to them, as ``index.html`` lists them: those for the vet today,
those to be checked, and the rest, each by doubt. A risk-coverage curve (El-Yaniv and Wiener 2010, from memory) tells,
for every share of animals that is passed unseen (coverage), the share of wrong results among those passed (risk); the
captured share is that of all wrong results which the others hold. An animal is wrong if its count is off by more than
one egg, or its stage is another one.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from pipeline.bench.count_comparison import CountComparison

__all__ = ["RiskCoverage", "risk_coverage"]

_URGENCY = {"vet today": 2, "check": 1}  # notes ask for nobody
_TOLERATED = 1  # eggs
_LOOKED_AT = 0.25  # share of the animals that a person has time for, the goal's


@dataclass(frozen=True)
class RiskCoverage:
    """animals : with a result;  wrong, wrong_by_count, wrong_by_stage : of them wrong at all, by count, by stage

    reviewed_animals : the number of the first quarter;  captured : share of the wrong among these, None if nothing is wrong
    captured_ideal : the same if the order were perfect;  captured_random : if it were none
    coverage, risk : (animals + 1,) from all passed unseen to none; risk of none is 0
    """

    animals: int
    wrong: int
    wrong_by_count: int
    wrong_by_stage: int
    reviewed_animals: int
    captured: float | None
    captured_ideal: float | None
    captured_random: float | None
    coverage: tuple[float, ...]
    risk: tuple[float, ...]


def risk_coverage(rows: Sequence[CountComparison]) -> RiskCoverage:
    """Of one data set's animals; those without a result are left out."""
    done = sorted((row for row in rows if row.estimate is not None), key=_order)
    off = np.array([abs((row.estimate or 0) - row.crossed) > _TOLERATED for row in done], dtype=bool)
    stage = np.array([row.stage != _expected(row.stage_crossed) for row in done], dtype=bool)
    wrong = off | stage
    total, reviewed_animals = int(wrong.sum()), round(_LOOKED_AT * len(done))
    return RiskCoverage(
        animals=len(done),
        wrong=total,
        wrong_by_count=int(off.sum()),
        wrong_by_stage=int(stage.sum()),
        reviewed_animals=reviewed_animals,
        captured=float(wrong[:reviewed_animals].sum() / total) if total else None,
        captured_ideal=min(1.0, reviewed_animals / total) if total else None,
        captured_random=reviewed_animals / len(done) if total else None,
        coverage=tuple(1 - number / max(len(done), 1) for number in range(len(done) + 1)),
        risk=_risk(wrong),
    )


def _order(row: CountComparison) -> tuple[int, float, str]:
    # Probability that the count is within one and the stage right, were the two independent.
    count_and_stage_probability = (row.confidence or 0.0) * (row.stage_probability or 0.0)
    return -_URGENCY.get(row.severity or "", 0), count_and_stage_probability, row.animal


def _expected(stage_crossed: str) -> str:
    return "none seen" if stage_crossed == "none" else stage_crossed


def _risk(wrong: NDArray[np.bool_]) -> tuple[float, ...]:
    """Share of wrong ones among those that remain after the first 0, 1, 2, ... were looked at."""
    remaining = np.append(np.cumsum(wrong[::-1])[::-1], 0)
    return tuple((remaining / np.maximum(np.arange(len(wrong), -1, -1), 1)).tolist())
