"""Agreement in numbers: over all pairs, by station, by species, and by operator."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Callable, Sequence
from dataclasses import asdict, dataclass
from typing import Any

from pipeline.agreement.limits_of_agreement import LimitsOfAgreement, limits_of_agreement, wilson_interval
from pipeline.agreement.pairs import MatchRule, Pair, Station, pair_exams_with_outcomes

__all__ = ["AgreementStatistics", "AgreementSummary", "summarise_agreement"]

UNKNOWN_GROUP = "unknown"


@dataclass(frozen=True)
class AgreementStatistics:
    """Statistics of some pairs. limits : None for fewer than two pairs

    exact, within_one : number of pairs whose estimate is exact, or off by at most one egg
    within_interval : number of pairs whose 90 % interval contains the known count
    within_interval_ci95 : 95 % confidence interval (Wilson) of that proportion, None without a pair
    """

    pairs: int
    limits: LimitsOfAgreement | None
    exact: int
    within_one: int
    within_interval: int
    within_interval_ci95: tuple[float, float] | None


@dataclass(frozen=True)
class AgreementSummary:
    """stations : how many there are;  exams : with a usable clip, paired or not

    by_station, by_species, by_operator : largest group first, ties by name;  by_station : empty for one station
    """

    rule: MatchRule
    stations: int
    exams: int
    pairs: tuple[Pair, ...]
    overall: AgreementStatistics
    by_station: tuple[tuple[str, AgreementStatistics], ...]
    by_species: tuple[tuple[str, AgreementStatistics], ...]
    by_operator: tuple[tuple[str, AgreementStatistics], ...]

    def document(self) -> dict[str, Any]:
        """For other programs, as JSON values. Differences are estimate minus outcome."""
        return {
            "schema": "clutchlight/agreement/1",
            "rule": asdict(self.rule),
            "exams": self.exams,
            "overall": asdict(self.overall),
            "by_station": [{"station": name, **asdict(each)} for name, each in self.by_station],
            "by_species": [{"species": name, **asdict(each)} for name, each in self.by_species],
            "by_scanned_by": [{"scanned_by": name, **asdict(each)} for name, each in self.by_operator],
            "pairs": [_pair(pair) for pair in self.pairs],
        }


def summarise_agreement(stations: Sequence[Station], rule: MatchRule) -> AgreementSummary:
    """Of one station or of several, each exam paired with the outcomes of its own station."""
    pairs = [pair for station in stations for pair in pair_exams_with_outcomes(station, rule)]
    return AgreementSummary(
        rule=rule,
        stations=len(stations),
        exams=sum(summary.is_scanned for station in stations for summary in station.summaries),
        pairs=tuple(pairs),
        overall=_agreement(pairs),
        by_station=_grouped(pairs, lambda pair: pair.station.name) if len(stations) > 1 else (),
        by_species=_grouped(pairs, lambda pair: pair.summary.exam.species),
        by_operator=_grouped(pairs, lambda pair: pair.summary.exam.scanned_by),
    )


def _grouped(pairs: Sequence[Pair], name: Callable[[Pair], str | None]) -> tuple[tuple[str, AgreementStatistics], ...]:
    groups: dict[str, list[Pair]] = defaultdict(list)
    for pair in pairs:
        groups[name(pair) or UNKNOWN_GROUP].append(pair)
    return tuple((key, _agreement(groups[key])) for key in sorted(groups, key=lambda key: (-len(groups[key]), key)))


def _agreement(pairs: Sequence[Pair]) -> AgreementStatistics:
    inside = sum(pair.is_within_interval for pair in pairs)
    return AgreementStatistics(
        pairs=len(pairs),
        limits=limits_of_agreement([pair.difference for pair in pairs]),
        exact=sum(pair.difference == 0 for pair in pairs),
        within_one=sum(abs(pair.difference) <= 1 for pair in pairs),
        within_interval=inside,
        within_interval_ci95=wilson_interval(inside, len(pairs)),
    )


def _pair(pair: Pair) -> dict[str, Any]:
    exam = pair.summary.exam
    return {
        "station": pair.station.name,
        "animal": exam.animal,
        "exam": exam.date.isoformat(),
        "species": exam.species,
        "scanned_by": exam.scanned_by,
        "estimate": pair.estimate,
        "interval90": list(pair.summary.finding.shelled.interval90),
        "known": pair.known_count,
        "outcomes": [
            {"outcome": one.kind, "date": one.date.isoformat(), "number": one.number} for one in pair.outcomes
        ],
        "difference": pair.difference,
        "inside": pair.is_within_interval,
    }
