"""How counts hold where the animals are unlike those that the counting was learned from.

Simulated animals have worlds: a kind of hand, of physics, of screen. For each value of each key, the counting is
learned from the animals without it and tested on those with it. The network and the calibration of its stages are kept.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import asdict, dataclass
from typing import Any

import numpy as np

from pipeline.bench.animal_truth import AnimalTruth
from pipeline.bench.count_comparison import CountComparison, compare_animal
from pipeline.bench.count_metrics import count_metrics
from pipeline.bench.risk_coverage import risk_coverage
from pipeline.bench.stated_counts import counts_of_finding
from pipeline.calibration.count_calibration import calibrate_counts, group_training_exams
from pipeline.calibration.training_exams import TrainingExam
from pipeline.estimate.count_tolerance import is_count_right
from pipeline.estimate.exam_estimate import estimate_grouping
from pipeline.estimate.history import AnimalBackground
from pipeline.estimate.results import Count
from pipeline.exams.species import find_profile, load_profiles
from pipeline.formatting import format_known
from pipeline.settings import Settings
from pipeline.track.merging.merge import Grouping

__all__ = [
    "ALL_VALUES",
    "FollicleMetrics",
    "KnownExam",
    "WorldMetrics",
    "leave_worlds_out",
    "worlds_document",
    "worlds_table",
]

ALL_VALUES = "each in turn"
"""The row of a key that holds all its animals, each with what was learned without its own value."""


@dataclass(frozen=True)
class KnownExam:
    """What the batch found in one exam, and the ground truth of the animal."""

    training: TrainingExam
    truth: AnimalTruth


@dataclass(frozen=True)
class FollicleMetrics:
    """The counts of follicles, by the animals' true numbers. Shares of animals, None without an animal.

    right : off by at most two or a quarter (`pipeline.estimate.count_tolerance`);  bias : in follicles
    carriers : animals with crossed follicles;  carriers_told_none : those of them that were told none
    false : animals without that were told some
    """

    right: float | None
    bias: float | None
    interval_coverage: float | None
    carriers: int
    carriers_told_none: int
    false: int


@dataclass(frozen=True)
class WorldMetrics:
    """The counts of the animals with one value of one key, learned from animals without it; shelled unless stated.

    learned_from, animals : numbers of animals;  within_1, interval_coverage : shares of animals;  bias : in eggs
    calibration_error : expected calibration error of the confidence
    wrong : animals off by more than one egg
    wrong_reviewed, wrong_least_confident : shares of them among the quarter reviewed first, and the least confident
    quarter, as in `pipeline.bench.risk_coverage`
    within_1_learned_from_all : within_1 of the same animals where they are among those learned from: not held out
    """

    key: str
    value: str
    learned_from: int
    animals: int
    within_1: float | None
    within_1_learned_from_all: float | None
    bias: float | None
    interval_coverage: float | None
    calibration_error: float | None
    wrong: int
    wrong_reviewed: float | None
    wrong_least_confident: float | None
    follicles: FollicleMetrics


@dataclass(frozen=True)
class _Counted:
    """The counts of one animal. true_follicles : that the sweeps crossed"""

    shelled: CountComparison
    follicles: Count
    true_follicles: int


def leave_worlds_out(known: Sequence[KnownExam], settings: Settings) -> list[WorldMetrics]:
    """The metrics of each value of each key, and of all values of a key together.

    An animal without a key is not tested, but learned from, as it does not have the value. A value that all animals
    have is left out.

    settings : the calibration of their counts is not used
    """
    exams = _Exams(known, group_training_exams([each.training for each in known], settings), settings)
    everyone = list(range(len(known)))
    not_held_out = exams.count(everyone, learned_from=everyone)
    metrics = []
    for key in sorted({key for each in known for key in each.truth.world}):
        held_out: dict[int, _Counted] = {}
        values = sorted({each.truth.world[key] for each in known if key in each.truth.world})
        for value in values:
            chosen = [row for row in everyone if known[row].truth.world.get(key) == value]
            others = [row for row in everyone if known[row].truth.world.get(key) != value]
            if others:
                rows = exams.count(chosen, learned_from=others)
                held_out |= rows
                metrics.append(_metrics(key, value, len(others), rows, not_held_out))
        if len(values) > 1:
            metrics.append(_metrics(key, ALL_VALUES, len(known), held_out, not_held_out))
    return metrics


@dataclass(frozen=True)
class _Exams:
    """groupings : the eggs of each exam before they are counted, which no calibration of counts changes"""

    known: Sequence[KnownExam]
    groupings: Sequence[Grouping]
    settings: Settings

    def count(self, rows: Sequence[int], *, learned_from: Sequence[int]) -> dict[int, _Counted]:
        """The counts of some exams, with the counting learned from others, by row."""
        counts = calibrate_counts(
            [self.known[row].training for row in learned_from],
            [self.groupings[row] for row in learned_from],
            self.settings,
        )
        learned = self.settings.model_copy(
            update={"calibration": self.settings.calibration.model_copy(update={"counts": counts})}
        )
        profiles = load_profiles()
        counted = {}
        for row in rows:
            training, truth = self.known[row].training, self.known[row].truth
            background = AnimalBackground(find_profile(training.exam.species, profiles))
            finding = estimate_grouping(
                training.exam,
                self.groupings[row],
                training.clips,
                training.coverage,
                learned,
                background=background,
            )
            counted[row] = _Counted(
                compare_animal(training.exam.animal, truth, counts_of_finding(finding)),
                finding.follicles,
                truth.crossed.follicles,
            )
        return counted


def _metrics(
    key: str,
    value: str,
    learned_from: int,
    rows: dict[int, _Counted],
    not_held_out: dict[int, _Counted],
) -> WorldMetrics:
    shelled = [each.shelled for each in rows.values()]
    counts, risk = count_metrics(shelled), risk_coverage(shelled)
    return WorldMetrics(
        key=key,
        value=value,
        learned_from=learned_from,
        animals=counts.animals,
        within_1=counts.within_1,
        within_1_learned_from_all=count_metrics([not_held_out[row].shelled for row in rows]).within_1,
        bias=counts.bias,
        interval_coverage=counts.interval_coverage,
        calibration_error=counts.calibration_error,
        wrong=risk.wrong_by_count,
        wrong_reviewed=risk.wrong_counts_captured,
        wrong_least_confident=risk.wrong_counts_least_confident,
        follicles=_follicle_metrics(list(rows.values())),
    )


def _follicle_metrics(counted: Sequence[_Counted]) -> FollicleMetrics:
    pairs = [(each.follicles, each.true_follicles) for each in counted]

    def mean(values: Sequence[float]) -> float | None:
        return float(np.mean(values)) if values else None

    return FollicleMetrics(
        right=mean([bool(is_count_right(count.estimate, true, shelled=False)) for count, true in pairs]),
        bias=mean([count.estimate - true for count, true in pairs]),
        interval_coverage=mean([count.interval90[0] <= true <= count.interval90[1] for count, true in pairs]),
        carriers=sum(true > 0 for _, true in pairs),
        carriers_told_none=sum(true > 0 and count.estimate == 0 for count, true in pairs),
        false=sum(true == 0 and count.estimate > 0 for count, true in pairs),
    )


def worlds_document(metrics: Sequence[WorldMetrics]) -> list[dict[str, Any]]:
    """The metrics in types of JSON."""
    return [asdict(each) for each in metrics]


def worlds_table(metrics: Sequence[WorldMetrics]) -> str:
    """A line for each value, and a legend."""
    return "\n".join(_lines(metrics)) if metrics else "No two animals are of different worlds."


def _lines(metrics: Sequence[WorldMetrics]) -> Iterator[str]:
    yield (
        f"{'world left out':<30}{'animals':>8}{'within 1':>10}{'(of all)':>10}{'bias':>8}{'interval holds':>16}"
        f"{'ECE':>7}{'wrong':>7}{'reviewed':>10}{'unsure':>8}"
    )
    for each in metrics:
        yield (
            f"{each.key + ': ' + each.value:<30}{each.animals:>8}{format_known(each.within_1, '.0%'):>10}"
            f"{format_known(each.within_1_learned_from_all, '.0%'):>10}{format_known(each.bias, '+.2f'):>8}"
            f"{format_known(each.interval_coverage, '.0%'):>16}{format_known(each.calibration_error, '.2f'):>7}"
            f"{each.wrong:>7}{format_known(each.wrong_reviewed, '.0%'):>10}"
            f"{format_known(each.wrong_least_confident, '.0%'):>8}"
        )
    yield (
        f"{'its follicles':<30}{'animals':>8}{'right':>10}{'bias':>8}{'interval holds':>16}{'carriers':>10}"
        f"{'told none':>11}{'false':>7}"
    )
    for each in metrics:
        found = each.follicles
        yield (
            f"{each.key + ': ' + each.value:<30}{each.animals:>8}{format_known(found.right, '.0%'):>10}"
            f"{format_known(found.bias, '+.2f'):>8}{format_known(found.interval_coverage, '.0%'):>16}"
            f"{found.carriers:>10}{found.carriers_told_none:>11}{found.false:>7}"
        )
    yield (
        "The counting was learned from the animals without that value. Of all: within 1 if it was learned from all\n"
        "animals, so not held out, for comparison. ECE: expected calibration error of the confidence, too large for\n"
        "few animals. Wrong: animals off by more than one egg. Reviewed, unsure: the shares of these in the quarter\n"
        "that is reviewed first, by the most urgent flag and then by uncertainty, and in the least confident quarter.\n"
        "Right: follicles off by at most two or a quarter. Told none: animals with follicles that were told none.\n"
        "False: animals without follicles that were told some."
    )
