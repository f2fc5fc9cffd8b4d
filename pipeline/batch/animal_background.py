"""What is known about each animal besides the recordings of one exam: species, other exams, recorded outcomes."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from pipeline.batch.stored_summaries import read_summary
from pipeline.estimate.history import AnimalBackground
from pipeline.estimate.results import Visit
from pipeline.exams.exam import Exam
from pipeline.exams.outcomes import Outcome
from pipeline.exams.species import SpeciesProfile, find_profile, load_profiles
from pipeline.people.journal import Journal
from pipeline.people.outcome_record import recorded_outcomes
from pipeline.store.store import Store

__all__ = ["AnimalBackgrounds"]


@dataclass(frozen=True)
class AnimalBackgrounds:
    """The backgrounds of all animals, for one run.

    Outcomes are read once, since they are recorded between runs only. Exams are read when they are needed, since the
    run itself adds them.

    profiles : by file name
    outcomes : by the animal's id in lower case (`str.casefold`), in the order in which they were recorded
    ids : of each animal in the store, by her id in lower case. SQLite ignores the case of ASCII letters only, and
    looking through all ids for each exam would take quadratic time
    """

    store: Store
    profiles: Mapping[str, SpeciesProfile]
    outcomes: Mapping[str, Sequence[Outcome]]
    ids: dict[str, set[str]]

    @classmethod
    def load(cls, store: Store, journal: Journal) -> AnimalBackgrounds:
        outcomes: dict[str, list[Outcome]] = defaultdict(list)
        for outcome in recorded_outcomes(journal):
            outcomes[outcome.animal.casefold()].append(outcome)
        ids: dict[str, set[str]] = defaultdict(set)
        for animal in store.animals():
            ids[animal.casefold()].add(animal)
        return cls(store, load_profiles(), outcomes, ids)

    def for_exam(self, exam: Exam) -> AnimalBackground:
        """The background of one exam. Ids that differ only in case name the same animal.

        Earlier exams that another version stored in another format are left out; the run's report lists them.
        """
        earlier: list[Visit] = []
        ids = self.ids.setdefault(exam.animal.casefold(), set())
        ids.add(exam.animal)  # the run is about to store it
        for stored in self.store.exams_of(ids):
            if stored.date >= exam.date.isoformat():
                continue
            summary = read_summary(stored)
            earlier += summary.finding.history.visits[-1:] if summary is not None else ()
        outcomes = self.outcomes.get(exam.animal.casefold(), ())
        return AnimalBackground(
            profile=find_profile(exam.species, self.profiles),
            earlier=tuple(earlier),
            # Later outcomes do not affect this exam, and must not cause its files to be written again.
            outcomes=tuple(outcome for outcome in outcomes if outcome.date < exam.date),
        )
