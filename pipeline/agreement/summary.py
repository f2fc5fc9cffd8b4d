"""The record in numbers: all pairs together, by species, and by who scanned."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Callable, Sequence
from dataclasses import asdict, dataclass
from typing import Any

from pipeline.agreement.limits_of_agreement import LimitsOfAgreement, limits_of_agreement, wilson_interval
from pipeline.agreement.pairs import MatchRule, Pair, match
from pipeline.exams.outcomes import Outcome
from pipeline.report.summary import ExamSummary

__all__ = ["Agreement", "Record", "make_record"]

NOT_TOLD = "not told"


@dataclass(frozen=True)
class Agreement:
    """Of some pairs. limits : None of fewer than two;  inside : whose 90 % interval holds the number

    exact, within_one : pairs whose estimate is right, or off by one egg at most
    inside_interval : 95 % (Wilson) of the share inside, None of no pair
    """

    pairs: int
    limits: LimitsOfAgreement | None
    exact: int
    within_one: int
    inside: int
    inside_interval: tuple[float, float] | None


@dataclass(frozen=True)
class Record:
    """exams : with a usable clip, paired or not;  by_species, by_hand : largest first, equals by name"""

    rule: MatchRule
    exams: int
    pairs: tuple[Pair, ...]
    overall: Agreement
    by_species: tuple[tuple[str, Agreement], ...]
    by_hand: tuple[tuple[str, Agreement], ...]

    def document(self) -> dict[str, Any]:
        """For programs: counts of eggs, differences as estimate less outcome."""
        return {
            "schema": "clutchlight/record/1",
            "rule": asdict(self.rule),
            "exams": self.exams,
            "overall": asdict(self.overall),
            "by_species": [{"species": name, **asdict(each)} for name, each in self.by_species],
            "by_scanned_by": [{"scanned_by": name, **asdict(each)} for name, each in self.by_hand],
            "pairs": [_pair(pair) for pair in self.pairs],
        }


def make_record(summaries: Sequence[ExamSummary], outcomes: Sequence[Outcome], rule: MatchRule) -> Record:
    """outcomes : in the order in which they were told, corrections included."""
    pairs = match(summaries, outcomes, rule)
    return Record(
        rule=rule,
        exams=sum(summary.is_scanned for summary in summaries),
        pairs=tuple(pairs),
        overall=_agreement(pairs),
        by_species=_grouped(pairs, lambda pair: pair.summary.exam.species),
        by_hand=_grouped(pairs, lambda pair: pair.summary.exam.scanned_by),
    )


def _grouped(pairs: Sequence[Pair], name: Callable[[Pair], str | None]) -> tuple[tuple[str, Agreement], ...]:
    groups: dict[str, list[Pair]] = defaultdict(list)
    for pair in pairs:
        groups[name(pair) or NOT_TOLD].append(pair)
    return tuple((key, _agreement(groups[key])) for key in sorted(groups, key=lambda key: (-len(groups[key]), key)))


def _agreement(pairs: Sequence[Pair]) -> Agreement:
    inside = sum(pair.is_inside for pair in pairs)
    return Agreement(
        pairs=len(pairs),
        limits=limits_of_agreement([pair.difference for pair in pairs]),
        exact=sum(pair.difference == 0 for pair in pairs),
        within_one=sum(abs(pair.difference) <= 1 for pair in pairs),
        inside=inside,
        inside_interval=wilson_interval(inside, len(pairs)),
    )


def _pair(pair: Pair) -> dict[str, Any]:
    exam = pair.summary.exam
    return {
        "animal": exam.animal,
        "exam": exam.date.isoformat(),
        "species": exam.species,
        "scanned_by": exam.scanned_by,
        "estimate": pair.estimate,
        "interval90": list(pair.summary.finding.shelled.interval90),
        "known": pair.known,
        "outcomes": [
            {"outcome": one.kind, "date": one.date.isoformat(), "number": one.number} for one in pair.outcomes
        ],
        "difference": pair.difference,
        "inside": pair.is_inside,
    }
