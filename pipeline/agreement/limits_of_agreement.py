"""How far two ways of counting agree: limits of agreement, and a share with its interval."""

from __future__ import annotations

import math
import statistics
from collections.abc import Sequence
from dataclasses import dataclass

__all__ = ["LimitsOfAgreement", "limits_of_agreement", "wilson_interval"]

CONFIDENCE = 0.95
Z = statistics.NormalDist().inv_cdf(0.5 + CONFIDENCE / 2)


@dataclass(frozen=True)
class LimitsOfAgreement:
    """Between which bounds 95 % of the differences are expected to lie, in the unit of the differences.

    pairs : how many;  bias : their mean;  standard_deviation : their standard deviation;  low, high : the limits
    bias_ci_half_width : half the width of the bias's 95 % confidence interval
    limit_ci_half_width : the same of each limit
    """

    pairs: int
    bias: float
    standard_deviation: float
    low: float
    high: float
    bias_ci_half_width: float
    limit_ci_half_width: float


def limits_of_agreement(differences: Sequence[float]) -> LimitsOfAgreement | None:
    """Mean +/- 1.96 SD of the differences of independent pairs; None of fewer than two, which show no spread.

    Bland and Altman, Lancet i:307 (1986), with 1.96 as in Stat Methods Med Res 8:135 (1999) where the first paper
    has 2. The standard errors are SD / sqrt(n) of the mean and sqrt(3 / n) SD of a limit, taken times Student's t
    of n - 1 degrees of freedom (1986).
    """
    from scipy.stats import t

    number = len(differences)
    if number < 2:
        return None
    bias, spread = statistics.fmean(differences), statistics.stdev(differences)
    student = float(t.ppf(0.5 + CONFIDENCE / 2, number - 1))
    return LimitsOfAgreement(
        pairs=number,
        bias=bias,
        standard_deviation=spread,
        low=bias - Z * spread,
        high=bias + Z * spread,
        bias_ci_half_width=student * spread / math.sqrt(number),
        limit_ci_half_width=student * spread * math.sqrt(3 / number),
    )


def wilson_interval(held: int, number: int) -> tuple[float, float] | None:
    """The 95 % score interval of the share ``held / number`` (Wilson, J Am Stat Assoc 22:209, 1927, from memory).

    It stays within 0 and 1 and has a width at both ends, also of few trials. None of no trial.

    >>> low, high = wilson_interval(0, 20)
    >>> round(low, 4), round(high, 4)
    (0.0, 0.1611)
    """
    if not number:
        return None
    share, weight = held / number, Z * Z / number
    middle = share + weight / 2
    half = math.sqrt(weight * (share * (1 - share) + weight / 4))
    return max(0.0, (middle - half) / (1 + weight)), min(1.0, (middle + half) / (1 + weight))
