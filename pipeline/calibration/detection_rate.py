"""Which of the objects that a sweep crosses are found: by size and depth, and from exam to exam."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from pipeline.calibration.logistic_regression import logistic_weights
from pipeline.calibration.training_exams import Lesson
from pipeline.estimate.encounter_history import encounters
from pipeline.estimate.missed_eggs import Encounters, overlooked
from pipeline.settings import Finding, Settings
from pipeline.track.merging.merge import Grouping

__all__ = ["learn_finding"]

_SPREADS = np.linspace(0.0, 3.0, 16)
_LEAST_CHANCE = 1e-3  # no exam is stranger than this: one with a fault of its own does not decide for all others


def learn_finding(
    lessons: Sequence[Lesson], groupings: Sequence[Grouping], settings: Settings, *, shelled: bool
) -> Finding:
    """Rates at the usual size and depth and how they go with both, from what each clip found of what it crossed; and
    how much exams differ, from how many each overlooked beside those that it found.
    """
    everything = [one for lesson in lessons for one in lesson.objects if one.shelled == shelled]
    usual_log_size = float(np.median([np.log(one.size) for one in everything])) if everything else np.log(0.1)
    usual_depth = float(np.clip(np.median([one.depth for one in everything]), 0, 1)) if everything else 0.5
    rows = [[np.log(one.size) - usual_log_size, one.depth - usual_depth] for one in everything]
    found = np.array([one.found for one in everything], dtype=bool)
    base, size, depth = logistic_weights(np.array(rows).reshape(-1, 2), found).tolist()
    rates = Finding(
        base=base, size=size, depth=depth, usual_log_size=float(usual_log_size), usual_depth=usual_depth, spread=0.0
    )
    exams = [
        _Exam.of(lesson, grouping, rates, settings, shelled)
        for lesson, grouping in zip(lessons, groupings, strict=True)
    ]
    return rates.model_copy(update={"spread": _spread([exam for exam in exams if exam.found], rates, settings)})


@dataclass(frozen=True)
class _Exam:
    """One exam. met : what its passes met of its true eggs;  found, overlooked : how many"""

    met: Encounters
    found: int
    overlooked: int

    @classmethod
    def of(cls, lesson: Lesson, grouping: Grouping, rates: Finding, settings: Settings, shelled: bool) -> _Exam:
        eggs = [
            egg
            for egg in grouping.eggs
            if any(lesson.owners.get((one.file, one.track)) is shelled for one in egg.members)
        ]
        met = encounters(eggs, grouping.passes, lesson.clips, lesson.exam.carapace_width_mm, rates, settings)
        missed = lesson.overlooked[0 if shelled else 1]
        return cls(met, lesson.crossed[0 if shelled else 1] - missed, missed)


def _spread(exams: Sequence[_Exam], rates: Finding, settings: Settings) -> float:
    """The likeliest spread of exams, by what they overlooked."""

    def evidence(spread: float) -> float:
        different = rates.model_copy(update={"spread": spread})
        total = 0.0
        for exam in exams:
            number = overlooked(exam.met, different).beside(exam.found, settings.estimate.none_prior)
            total += math.log(max(number.within(exam.overlooked, exam.overlooked), _LEAST_CHANCE))
        return total

    return float(_SPREADS[int(np.argmax([evidence(float(spread)) for spread in _SPREADS]))])
