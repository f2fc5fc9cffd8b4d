"""The stored exams by season, and what the files of each season depend on, without reading any result."""

from __future__ import annotations

import datetime as dt
from collections import defaultdict
from collections.abc import Mapping, Sequence
from dataclasses import astuple, dataclass

from pipeline.batch.exam_basis import json_digest
from pipeline.exams.seasons import Season, season_of
from pipeline.people.event_log import ExamKey
from pipeline.people.signatures import StoredSignature
from pipeline.report.priority import URGENCIES
from pipeline.store.store import Store

__all__ = ["SeasonsInStore"]

ResultKey = tuple[str, str, str]
"""Animal, date and fingerprint of a result."""


@dataclass(frozen=True)
class SeasonsInStore:
    """results : of each season that has exams;  current : the season that the index opens with

    waiting : the results that may wait for a person, of other seasons than the current one
    """

    results: Mapping[Season, Sequence[ResultKey]]
    current: Season
    waiting: Sequence[ResultKey]
    signatures: Mapping[ExamKey, StoredSignature]

    @classmethod
    def of(
        cls, store: Store, signatures: Mapping[ExamKey, StoredSignature], first_month: int, today: dt.date
    ) -> SeasonsInStore:
        """The current season is the latest that has exams and has begun; a mistaken date does not bring the next one.

        first_month : in which seasons begin
        """
        results: dict[Season, list[ResultKey]] = defaultdict(list)
        of_date: dict[str, Season] = {}
        for (animal, date), fingerprint in store.fingerprints().items():
            if date not in of_date:
                of_date[date] = season_of(dt.date.fromisoformat(date), first_month)
            results[of_date[date]].append((animal, date, fingerprint))
        seasons = sorted(results) or [season_of(today, first_month)]
        current = max((season for season in seasons if season.first <= today), default=seasons[-1])
        last = store.last_exams(URGENCIES.index("rest"))
        waiting = [key for key in last if of_date.get(key[1]) != current and ExamKey(key[0], key[1]) not in signatures]
        return cls(results, current, waiting, signatures)

    @property
    def every(self) -> list[Season]:
        """The latest first."""
        return sorted({*self.results, self.current}, reverse=True)

    def digest(self, season: Season, *other: object) -> str:
        """Of the results and signatures of a season. other : what else its files depend on"""
        results = sorted(self.results.get(season, ()))
        keys = (ExamKey(animal, date) for animal, date, _ in results)
        signed = [(*key, *astuple(self.signatures[key])) for key in keys if key in self.signatures]
        return json_digest([results, signed, [each.name for each in self.every], season == self.current, *other])
