"""What is known of each animal beside the recordings of one exam: her species, her other exams, what was later told."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from pipeline.batch.stored_summaries import read_summary
from pipeline.estimate.history import AnimalBackground
from pipeline.estimate.results import Visit
from pipeline.exams.exam_search import Exam
from pipeline.exams.outcomes import Outcome
from pipeline.exams.species import SpeciesProfile, find_profile, load_profiles
from pipeline.store.store import Store

__all__ = ["AnimalBackgrounds"]


@dataclass(frozen=True)
class AnimalBackgrounds:
    """For one run; outcomes are recorded between runs only, exams are added by the run itself."""

    store: Store
    profiles: Mapping[str, SpeciesProfile]
    outcomes: Mapping[str, Sequence[Outcome]]

    @classmethod
    def load(cls, store: Store) -> AnimalBackgrounds:
        outcomes: dict[str, list[Outcome]] = defaultdict(list)
        for one in store.outcomes():
            outcomes[one.animal.casefold()].append(one)
        return cls(store, load_profiles(), outcomes)

    def for_exam(self, exam: Exam) -> AnimalBackground:
        """Of ids that differ only in case the animal is the same.

        An earlier exam that another version kept in another form is passed over: the night's report names it.
        """
        earlier: list[Visit] = []
        for stored in self.store.exams_of(exam.animal):
            if stored.date >= exam.date.isoformat():
                continue
            summary = read_summary(stored)
            earlier += summary.finding.history.visits[-1:] if summary is not None else ()
        told = self.outcomes.get(exam.animal.casefold(), ())
        return AnimalBackground(
            profile=find_profile(exam.species, self.profiles),
            earlier=tuple(earlier),
            # What came later says nothing of this exam, and must not make it be written anew.
            outcomes=tuple(one for one in told if one.date < exam.date),
        )
