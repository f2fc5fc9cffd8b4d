"""Everything that is learned of counting, from some lessons."""

from __future__ import annotations

from collections.abc import Sequence

from pipeline.calibration.confidence import conformal_level, learn_trust, likeliest_power
from pipeline.calibration.detection_rate import learn_finding
from pipeline.calibration.likelihood_ratio import learn_look
from pipeline.calibration.training_exams import Lesson
from pipeline.estimate.exam import count_kind, group_exam
from pipeline.settings import Counting, CountingSettings, Settings, Trust
from pipeline.track.merging.count_distribution import Distribution
from pipeline.track.merging.merge import Grouping

__all__ = ["COVERAGE", "learn"]

COVERAGE = 0.9
"""How often the interval is to hold what the sweeps crossed."""


def learn(lessons: Sequence[Lesson], settings: Settings) -> CountingSettings:
    """Looks and finding rates from all lessons; trust, sharpness and interval from how one half fares by the other."""
    groupings = [group_exam(one.exam, one.clips, one.coverage, settings) for one in lessons]
    return CountingSettings(
        shelled=_learn_kind(lessons, groupings, True, settings),
        follicles=_learn_kind(lessons, groupings, False, settings),
    )


def _learn_kind(
    lessons: Sequence[Lesson], groupings: Sequence[Grouping], shelled: bool, settings: Settings
) -> Counting:
    told: list[tuple[Distribution, int]] = []
    for half in (0, 1):
        learned = settings.model_copy(
            update={
                "counting": _both(_unsharpened(lessons[1 - half :: 2], groupings[1 - half :: 2], shelled, settings))
            }
        )
        for one, grouping in zip(lessons[half::2], groupings[half::2], strict=True):
            crossed = count_kind(one.exam, grouping, one.clips, shelled, learned).crossed
            told.append((crossed, one.crossed[0 if shelled else 1]))
    power = likeliest_power(told)
    sharpened = [(crossed.raised(power), true) for crossed, true in told]
    level = conformal_level(sharpened, COVERAGE)
    return _unsharpened(lessons, groupings, shelled, settings).model_copy(
        update={
            "sharpness": power,
            "interval": min(max(level, 0.01), 0.999),
            "trust": learn_trust(sharpened),
        }
    )


def _unsharpened(
    lessons: Sequence[Lesson], groupings: Sequence[Grouping], shelled: bool, settings: Settings
) -> Counting:
    look, look_alikes = learn_look(lessons, shelled=shelled, settings=settings.track)
    return Counting(
        look_alikes=look_alikes,
        look=look,
        finding=learn_finding(lessons, groupings, settings, shelled=shelled),
        trust=Trust(base=0.0, slope=1.0),
        sharpness=1.0,
        interval=COVERAGE,
    )


def _both(counting: Counting) -> CountingSettings:
    return CountingSettings(shelled=counting, follicles=counting)
