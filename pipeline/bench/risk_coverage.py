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

from pipeline.bench.count_table import Comparison

__all__ = ["RiskCoverage", "risk_coverage"]

_URGENCY = {"vet today": 2, "check": 1}  # notes ask for nobody
_TOLERATED = 1  # eggs
_LOOKED_AT = 0.25  # share of the animals that a person has time for, the goal's


@dataclass(frozen=True)
class RiskCoverage:
    """animals : with a result;  wrong, off, other_stage : of them wrong at all, by count, by stage

    looked_at : the number of the first quarter;  captured : share of the wrong among these, None if nothing is wrong
    captured_at_best : the same if the order were perfect;  captured_by_chance : if it were none
    coverage, risk : (animals + 1,) from all passed unseen to none; risk of none is 0
    """

    animals: int
    wrong: int
    off: int
    other_stage: int
    looked_at: int
    captured: float | None
    captured_at_best: float | None
    captured_by_chance: float | None
    coverage: tuple[float, ...]
    risk: tuple[float, ...]


def risk_coverage(rows: Sequence[Comparison]) -> RiskCoverage:
    """Of one data set's animals; those without a result are left out."""
    done = sorted((row for row in rows if row.estimate is not None), key=_order)
    off = np.array([abs((row.estimate or 0) - row.crossed) > _TOLERATED for row in done], dtype=bool)
    stage = np.array([row.stage != _expected(row.stage_crossed) for row in done], dtype=bool)
    wrong = off | stage
    total, looked_at = int(wrong.sum()), round(_LOOKED_AT * len(done))
    return RiskCoverage(
        animals=len(done),
        wrong=total,
        off=int(off.sum()),
        other_stage=int(stage.sum()),
        looked_at=looked_at,
        captured=float(wrong[:looked_at].sum() / total) if total else None,
        captured_at_best=min(1.0, looked_at / total) if total else None,
        captured_by_chance=looked_at / len(done) if total else None,
        coverage=tuple(1 - number / max(len(done), 1) for number in range(len(done) + 1)),
        risk=_risk(wrong),
    )


def _order(row: Comparison) -> tuple[int, float, str]:
    # Probability that the count is within one and the stage right, were the two independent.
    both_right = (row.confidence or 0.0) * (row.stage_probability or 0.0)
    return -_URGENCY.get(row.severity or "", 0), both_right, row.animal


def _expected(stage_crossed: str) -> str:
    return "none seen" if stage_crossed == "none" else stage_crossed


def _risk(wrong: NDArray[np.bool_]) -> tuple[float, ...]:
    """Share of wrong ones among those that remain after the first 0, 1, 2, ... were looked at."""
    remaining = np.append(np.cumsum(wrong[::-1])[::-1], 0)
    return tuple((remaining / np.maximum(np.arange(len(wrong), -1, -1), 1)).tolist())
