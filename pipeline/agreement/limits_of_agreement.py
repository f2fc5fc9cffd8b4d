"""How far two ways of counting agree: limits of agreement, and a proportion with its confidence interval."""

from __future__ import annotations

import math
import statistics
from collections.abc import Sequence
from dataclasses import dataclass

__all__ = ["LimitsOfAgreement", "limits_of_agreement", "wilson_interval"]

CONFIDENCE = 0.95  # of limits and intervals
Z = statistics.NormalDist().inv_cdf(0.5 + CONFIDENCE / 2)  # 1.96


@dataclass(frozen=True)
class LimitsOfAgreement:
    """The bounds between which 95 % of the differences are expected to lie, in the unit of the differences.

    pairs : how many;  bias, standard_deviation : of the differences;  low, high : the limits
    bias_ci_half_width, limit_ci_half_width : half the width of the 95 % confidence interval of the bias and of a limit
    """

    pairs: int
    bias: float
    standard_deviation: float
    low: float
    high: float
    bias_ci_half_width: float
    limit_ci_half_width: float


def limits_of_agreement(differences: Sequence[float]) -> LimitsOfAgreement | None:
    """Mean +/- 1.96 SD of the differences of independent pairs. None for fewer than two pairs, which have no SD.

    Bland and Altman, Lancet i:307 (1986), with 1.96 as in Stat Methods Med Res 8:135 (1999); the first paper has 2.
    The standard errors are SD / sqrt(n) for the mean and sqrt(3 / n) SD for a limit, multiplied by Student's t with
    n - 1 degrees of freedom (1986).
    """
    from scipy.stats import t

    pairs = len(differences)
    if pairs < 2:
        return None
    bias, spread = statistics.fmean(differences), statistics.stdev(differences)
    student_t = float(t.ppf(0.5 + CONFIDENCE / 2, pairs - 1))
    return LimitsOfAgreement(
        pairs=pairs,
        bias=bias,
        standard_deviation=spread,
        low=bias - Z * spread,
        high=bias + Z * spread,
        bias_ci_half_width=student_t * spread / math.sqrt(pairs),
        limit_ci_half_width=student_t * spread * math.sqrt(3 / pairs),
    )


def wilson_interval(successes: int, trials: int) -> tuple[float, float] | None:
    """The 95 % score interval of the proportion ``successes / trials``. None without a trial.

    It stays within 0 and 1, and keeps a width if all or none succeed, even for few trials. Wilson, J Am Stat Assoc
    22:209 (1927), from memory.

    >>> low, high = wilson_interval(0, 20)
    >>> round(low, 4), round(high, 4)
    (0.0, 0.1611)
    """
    if not trials:
        return None
    share, weight = successes / trials, Z * Z / trials
    middle = share + weight / 2
    half = math.sqrt(weight * (share * (1 - share) + weight / 4))
    return max(0.0, (middle - half) / (1 + weight)), min(1.0, (middle + half) / (1 + weight))
