"""Recorded outcomes, as entries of the journal."""

from __future__ import annotations

import datetime as dt
from collections.abc import Sequence

from pipeline.exams.outcomes import OUTCOME_KINDS, Outcome
from pipeline.people.chain import Entry
from pipeline.people.journal import Journal

__all__ = ["add_outcomes", "recorded_outcomes"]


def add_outcomes(journal: Journal, outcomes: Sequence[Outcome]) -> None:
    """Append outcomes in one transaction. Nothing is overwritten. Raises JournalError."""
    with journal.writing() as writer:
        for outcome in outcomes:
            content = {
                "kind": outcome.kind,
                "number": outcome.number,
                "who": outcome.who,
                "note": outcome.note,
                "withdrawn": outcome.withdrawn,
            }
            writer.append("outcome", content, outcome.animal, outcome.date.isoformat())


def recorded_outcomes(journal: Journal) -> list[Outcome]:
    """All outcomes ever recorded, corrected ones included, in the order of recording. Raises JournalError."""
    with journal.reading() as reader:
        return [_outcome(entry) for entry in reader.entries("outcome")]


def _outcome(entry: Entry) -> Outcome:
    content = entry.content
    kind = next(kind for kind in OUTCOME_KINDS if kind == content["kind"])
    date = dt.date.fromisoformat(entry.date)
    return Outcome(entry.animal, kind, date, content["number"], content["who"], content["note"], content["withdrawn"])
