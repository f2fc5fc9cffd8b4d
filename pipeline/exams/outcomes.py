"""What was later known of an animal: eggs laid, counted on a radiograph, taken out, or hatched."""

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
    """One line of what was later known.

    number : of eggs on that date (of hatchlings, where hatched); None where it happened and was not counted
    who : told or counted it;  withdrawn : what was told of this animal, kind and date is not true
    """

    animal: str
    kind: OutcomeKind
    date: dt.date
    number: int | None
    who: str | None = None
    note: str | None = None
    withdrawn: bool = False


def current_outcomes(outcomes: Iterable[Outcome]) -> list[Outcome]:
    """Those that hold: of each animal, kind and date the last one told, unless it withdraws. By date.

    outcomes : in the order in which they were told; of ids that differ only in case the animal is the same
    """
    last = {(one.animal.casefold(), one.kind, one.date): one for one in outcomes}
    return sorted(
        (one for one in last.values() if not one.withdrawn), key=lambda one: (one.date, one.animal.casefold(), one.kind)
    )
