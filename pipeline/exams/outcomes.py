"""Outcomes: what was later learned of an animal's eggs. They were laid, counted on a radiograph, removed or hatched."""

from __future__ import annotations

import datetime as dt
from collections.abc import Iterable
from dataclasses import dataclass
from typing import Literal

__all__ = ["OUTCOME_KINDS", "Outcome", "OutcomeKind", "current_outcomes"]

OutcomeKind = Literal["laid", "radiograph", "surgery", "hatched"]
OUTCOME_KINDS: tuple[OutcomeKind, ...] = ("laid", "radiograph", "surgery", "hatched")


@dataclass(frozen=True)
class Outcome:
    """One recorded outcome.

    number : of eggs on that date (of hatchlings, for "hatched"); None if they were not counted
    who : counted or reported it
    withdrawn : the earlier record for this animal, kind and date is wrong
    """

    animal: str
    kind: OutcomeKind
    date: dt.date
    number: int | None
    who: str | None = None
    note: str | None = None
    withdrawn: bool = False


def current_outcomes(outcomes: Iterable[Outcome]) -> list[Outcome]:
    """The valid outcomes: the last one of each animal, kind and date, unless it is withdrawn. Sorted by date.

    outcomes : in the order of recording; ids that differ only in case name the same animal
    """
    last = {(outcome.animal.casefold(), outcome.kind, outcome.date): outcome for outcome in outcomes}
    return sorted(
        (outcome for outcome in last.values() if not outcome.withdrawn),
        key=lambda outcome: (outcome.date, outcome.animal.casefold(), outcome.kind),
    )
