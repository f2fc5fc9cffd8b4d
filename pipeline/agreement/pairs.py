"""Which exam an outcome tells of: the rule by which estimates and outcomes become pairs."""

from __future__ import annotations

import datetime as dt
from collections import defaultdict
from collections.abc import Sequence
from dataclasses import dataclass

from pipeline.exams.outcomes import Outcome, current_outcomes
from pipeline.report.summary import ExamSummary

__all__ = ["MatchRule", "Pair", "pair_exams_with_outcomes"]


@dataclass(frozen=True)
class MatchRule:
    """What is a sensible time between an exam and its outcome, in days; common practice but for the pause.

    max_days_to_radiograph : a radiograph that many days before or after the exam shows the same eggs
    max_days_to_first_egg : after the exam, in which the first egg is laid or taken out
    max_days_between_eggs : between eggs of one clutch; the shortest time from clutch to clutch known to us is 9 to 10 days
        (*Dermochelys*; a new clutch seen on radiographs of *Gopherus agassizii*, Turner et al. 1986)
    """

    max_days_to_radiograph: int = 7
    max_days_to_first_egg: int = 28
    max_days_between_eggs: int = 7


@dataclass(frozen=True)
class Pair:
    """An exam and what was later known of the same eggs. outcomes : one radiograph, or all that she passed, by date."""

    summary: ExamSummary
    outcomes: tuple[Outcome, ...]

    @property
    def estimate(self) -> int:
        return self.summary.finding.shelled.estimate

    @property
    def known_count(self) -> int:
        """The number of eggs by the outcomes."""
        return sum(one.number or 0 for one in self.outcomes)

    @property
    def difference(self) -> int:
        """Estimate less outcome: above 0 where too many were seen."""
        return self.estimate - self.known_count

    @property
    def is_within_interval(self) -> bool:
        """Whether the 90 % interval holds the number."""
        low, high = self.summary.finding.shelled.interval90
        return low <= self.known_count <= high

    @property
    def days_to_outcome(self) -> int:
        """From the exam to the first of the outcomes; negative where that came before."""
        return (self.outcomes[0].date - self.summary.exam.date).days


def pair_exams_with_outcomes(
    summaries: Sequence[ExamSummary], outcomes: Sequence[Outcome], rule: MatchRule
) -> list[Pair]:
    """Pairs by animal and date. Every outcome tells of one exam, the nearest in time, and every exam has one at most.

    An animal seen thrice before she laid is thus one pair, since limits of agreement are of independent pairs.

    A radiograph goes before eggs that were laid or taken out, which may not be all; but not one from before eggs left
    her and an exam after it, or the other way round. What she passed on the day of the exam came after it, since eggs
    passed before are noted in exam.toml. Hatchlings tell nothing of the number of eggs.

    summaries : exams without a usable clip are passed over;  outcomes : in the order in which they were told
    """
    by_animal: dict[str, list[Outcome]] = defaultdict(list)
    for one in current_outcomes(outcomes):
        by_animal[one.animal.casefold()].append(one)
    found = []
    for summary in summaries:
        own = by_animal[summary.exam.animal.casefold()]
        known = (_radiograph(summary, own, rule) or _passed(summary, own, rule)) if summary.is_scanned else ()
        if known:
            found.append(Pair(summary, known))
    # Of two exams equally near the later one, which was nearer to what the outcome tells of if eggs came meanwhile.
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
    """The nearest one that shows the eggs of the exam; empty if there is none."""
    exam = summary.exam
    left = [one.date for one in own if one.kind in ("laid", "surgery")]
    near = []
    for one in own:
        days = abs((one.date - exam.date).days)
        if one.kind != "radiograph" or one.number is None or days > rule.max_days_to_radiograph:
            continue
        if one.date < exam.date:
            # Eggs that exam.toml tells of were passed on a day we do not know.
            changed = exam.passed_before > 0 or any(one.date <= date < exam.date for date in left)
        else:
            changed = any(exam.date <= date <= one.date for date in left)
        if not changed:
            near.append((days, one.date, one))
    return (min(near, key=lambda each: each[:2])[2],) if near else ()


def _passed(summary: ExamSummary, own: Sequence[Outcome], rule: MatchRule) -> tuple[Outcome, ...]:
    """All that she laid or that was taken out of one clutch; empty if there is none or some were not counted."""
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
