"""A morning's work: which exams wait for whom."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

__all__ = ["NEEDS", "Need", "WaitingExam"]

Need = Literal["vet today", "rescan", "check"]

NEEDS: dict[Need, str] = {"vet today": "For the vet today", "rescan": "To scan again", "check": "To check"}
"""By urgency: what an exam needs, and the heading of those that need it."""


@dataclass(frozen=True)
class WaitingExam:
    """The last exam of an animal, unsigned, that a person should look at.

    date : ISO 8601;  folder : of its results;  what : the most urgent reason, or what to scan again, as a sentence
    flags : the codes of all flags that need a person, empty if no clip was usable
    """

    animal: str
    date: str
    folder: str
    need: Need
    what: str
    flags: tuple[str, ...]
