"""How sharp the distributions of numbers should be, and how wide the interval, to be as sure as they say."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from pipeline.track.distribution import Distribution

__all__ = ["conformal_level", "likeliest_power", "needed_level"]

Told = Sequence[tuple[Distribution, int]]

_POWERS = np.exp(np.linspace(np.log(0.2), np.log(3.0), 55))
_LEAST = 1e-6  # probability that any number is granted, so that one surprise decides nothing


def likeliest_power(told: Told) -> float:
    """The power to raise the odds to (temperature scaling) under which the true numbers are likeliest; 1 for none.

    told : distributions with the true numbers
    """
    if not told:
        return 1.0

    def score(power: float) -> float:
        return float(np.mean([np.log(one.raised(power).within(true, true) + _LEAST) for one, true in told]))

    return float(_POWERS[int(np.argmax([score(float(power)) for power in _POWERS]))])


def needed_level(number: Distribution, true: int) -> float:
    """The least probability of a central interval, quantile to quantile, that holds the true number."""
    tail = min(number.below(true + 1), 1 - number.below(true))
    return max(1 - 2 * tail, 0.0)


def conformal_level(told: Told, coverage: float) -> float:
    """The probability of central intervals that hold the truth in ``coverage`` of exams like these.

    Split conformal prediction (Vovk, Gammerman and Shafer 2005, Algorithmic Learning in a Random World): the
    ceil((n + 1) coverage)-th smallest of the n levels needed.
    """
    levels = sorted(needed_level(number, true) for number, true in told)
    place = int(np.ceil((len(levels) + 1) * coverage))
    return levels[place - 1] if 0 < place <= len(levels) else 1.0
