"""Pairs of an exam and its outcome: the rule that decides which outcome belongs to which exam."""

from __future__ import annotations

import datetime as dt
from collections import defaultdict
from collections.abc import Sequence
from dataclasses import dataclass

from pipeline.exams.outcomes import Outcome, current_outcomes
from pipeline.report.summary import ExamSummary

__all__ = ["MatchRule", "Pair", "Station", "pair_exams_with_outcomes"]


@dataclass(frozen=True)
class MatchRule:
    """The longest time between an exam and its outcome, in days. Common practice, no source, except as noted.

    max_days_to_radiograph : a radiograph up to this long before or after the exam shows the same eggs
    max_days_to_first_egg : from the exam to the first egg laid or removed
    max_days_between_eggs : of one clutch. The shortest known time from clutch to clutch is 9 to 10 days
        (*Dermochelys*; a new clutch seen on radiographs of *Gopherus agassizii*, Turner et al. 1986)
    """

    max_days_to_radiograph: int = 7
    max_days_to_first_egg: int = 28
    max_days_between_eggs: int = 7


@dataclass(frozen=True)
class Station:
    """What one output folder holds. Its outcomes are those of its own animals: a name at another station is another.

    summaries : exams; those without a usable clip are skipped
    outcomes : in the order in which they were recorded, corrections included
    name : None where there is only one station
    folder : with "/", from the folder of the page to that of the station
    """

    summaries: Sequence[ExamSummary]
    outcomes: Sequence[Outcome]
    name: str | None = None
    folder: str = ""


@dataclass(frozen=True)
class Pair:
    """An exam and the outcome of the same eggs. outcomes : one radiograph, or all eggs laid or removed, by date"""

    station: Station
    summary: ExamSummary
    outcomes: tuple[Outcome, ...]

    @property
    def estimate(self) -> int:
        return self.summary.finding.shelled.estimate

    @property
    def known_count(self) -> int:
        """The number of eggs according to the outcomes."""
        return sum(one.number or 0 for one in self.outcomes)

    @property
    def difference(self) -> int:
        """Estimate minus outcome: above 0 if the estimate was too high."""
        return self.estimate - self.known_count

    @property
    def is_within_interval(self) -> bool:
        """Whether the 90 % interval of the estimate contains the known count."""
        low, high = self.summary.finding.shelled.interval90
        return low <= self.known_count <= high

    @property
    def days_to_outcome(self) -> int:
        """From the exam to the first of the outcomes. Negative if that came before the exam."""
        return (self.outcomes[0].date - self.summary.exam.date).days


def pair_exams_with_outcomes(station: Station, rule: MatchRule) -> list[Pair]:
    """Pairs by animal and date. Every outcome belongs to one exam, the nearest in time, and every exam has at most one.

    So an animal scanned three times before she laid is one pair. Limits of agreement need independent pairs.

    A radiograph is preferred to eggs laid or removed, which may not be all eggs. It does not count if eggs left her
    between the radiograph and the exam. Eggs that left her on the day of the exam are taken to have left after it,
    because eggs passed before it are noted in exam.toml. Hatchlings say nothing about the number of eggs.
    """
    by_animal: dict[str, list[Outcome]] = defaultdict(list)
    for one in current_outcomes(station.outcomes):
        by_animal[one.animal.casefold()].append(one)
    found = []
    for summary in station.summaries:
        own = by_animal[summary.exam.animal.casefold()]
        known = (_radiograph(summary, own, rule) or _passed(summary, own, rule)) if summary.is_scanned else ()
        if known:
            found.append(Pair(station, summary, known))
    # Of two exams equally near, the later one: if eggs were added in between, it is closer to the outcome.
    found.sort(key=lambda pair: (abs(pair.days_to_outcome), -pair.summary.exam.date.toordinal()))
    taken: set[tuple[str, str, dt.date]] = set()
    pairs = []
    for pair in found:
        rows = {(one.animal.casefold(), one.kind, one.date) for one in pair.outcomes}
        if not rows & taken:
            taken |= rows
            pairs.append(pair)
    return sorted(pairs, key=lambda pair: (pair.summary.exam.animal, pair.summary.exam.date))


def _radiograph(summary: ExamSummary, own: Sequence[Outcome], rule: MatchRule) -> tuple[Outcome, ...]:
    """The nearest radiograph that shows the eggs of the exam. Empty if there is none."""
    exam = summary.exam
    dates_passed = [one.date for one in own if one.kind in ("laid", "surgery")]
    near = []
    for one in own:
        days = abs((one.date - exam.date).days)
        if one.kind != "radiograph" or one.number is None or days > rule.max_days_to_radiograph:
            continue
        if one.date < exam.date:
            # The eggs passed before, as noted in exam.toml, left her on an unknown day.
            changed = exam.passed_before > 0 or any(one.date <= date < exam.date for date in dates_passed)
        else:
            changed = any(exam.date <= date <= one.date for date in dates_passed)
        if not changed:
            near.append((days, one.date, one))
    return (min(near, key=lambda each: each[:2])[2],) if near else ()


def _passed(summary: ExamSummary, own: Sequence[Outcome], rule: MatchRule) -> tuple[Outcome, ...]:
    """All eggs of one clutch that were laid or removed. Empty if there are none, or if some were not counted."""
    clutch: list[Outcome] = []
    for one in own:
        if one.kind not in ("laid", "surgery") or one.date < summary.exam.date:
            continue
        since, allowed = (
            (clutch[-1].date, rule.max_days_between_eggs) if clutch else (summary.exam.date, rule.max_days_to_first_egg)
        )
        if (one.date - since).days > allowed:
            break
        clutch.append(one)
    return () if any(one.number is None for one in clutch) else tuple(clutch)
