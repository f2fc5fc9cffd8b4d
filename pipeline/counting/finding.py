"""Which of the objects that a sweep crosses are found: by size and depth, and from exam to exam."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from pipeline.counting.lessons import CrossedObject, Lesson
from pipeline.counting.logistic import logistic_weights
from pipeline.settings import Finding

__all__ = ["learn_finding"]

Floats = NDArray[np.float64]

_SPREADS = np.linspace(0.0, 3.0, 31)
_DEVIATIONS = np.linspace(-4, 4, 33)


def learn_finding(lessons: Sequence[Lesson], *, shelled: bool) -> Finding:
    """Rates at the usual size and depth, how they go with both, and how much exams differ."""
    exams = [[one for one in lesson.objects if one.shelled == shelled] for lesson in lessons]
    exams = [objects for objects in exams if objects]
    everything = [one for objects in exams for one in objects]
    usual_log_size = float(np.median([np.log(one.size) for one in everything])) if everything else np.log(0.1)
    usual_depth = float(np.clip(np.median([one.depth for one in everything]), 0, 1)) if everything else 0.5

    def traits(objects: Sequence[CrossedObject]) -> Floats:
        rows = [[np.log(one.size) - usual_log_size, one.depth - usual_depth] for one in objects]
        return np.array(rows).reshape(-1, 2)

    weights = logistic_weights(traits(everything), np.array([one.found for one in everything], dtype=bool))
    log_odds = [weights[0] + traits(objects) @ weights[1:] for objects in exams]
    found = [np.array([one.found for one in objects], dtype=bool) for objects in exams]
    base, size, depth = weights.tolist()
    return Finding(
        base=base,
        size=size,
        depth=depth,
        usual_log_size=float(usual_log_size),
        usual_depth=usual_depth,
        spread=_spread(log_odds, found),
    )


def _spread(log_odds: Sequence[Floats], found: Sequence[NDArray[np.bool_]]) -> float:
    """The likeliest spread of exams, each integrated over its own log-odds."""
    weights = np.exp(-0.5 * _DEVIATIONS**2)
    weights /= weights.sum()

    def evidence(spread: float) -> float:
        total = 0.0
        for odds, answers in zip(log_odds, found, strict=True):
            shifted = odds + spread * _DEVIATIONS[:, None]  # (D, N)
            logs = np.where(answers, -np.logaddexp(0, -shifted), -np.logaddexp(0, shifted)).sum(axis=1)
            total += float(np.log(weights @ np.exp(logs - logs.max())) + logs.max())
        return total

    return float(_SPREADS[int(np.argmax([evidence(float(spread)) for spread in _SPREADS]))])
