"""Exams of simulated animals for the review, without files: tracks, census, and a desk over a journal of their own."""

from __future__ import annotations

import datetime as dt
from dataclasses import replace
from functools import cache
from pathlib import Path

import numpy as np

from pipeline.estimate.exam import estimate_exam, group_exam
from pipeline.estimate.history import Background
from pipeline.exams.exam_search import Exam, ExamClip
from pipeline.exams.species import load_profiles, profile_of
from pipeline.report.export.result import ModelIdentity
from pipeline.report.summary import summarise
from pipeline.review.answer_service import Desk, Reviewed
from pipeline.review.answers import Answer
from pipeline.review.batch_snapshot import take_census
from pipeline.review.event_log import Event, Journal
from pipeline.review.reviewed_exams import Case
from pipeline.review.users import Person
from pipeline.scan.coverage import clip_coverage
from pipeline.settings import load_settings
from pipeline.track.tracks import ClipTracks
from tests.pipeline.empty_clip import empty_clip
from tests.pipeline.track.simulator import CALCIFIED, FOLLICLE, THIN_SHELLED, clutch, film, follow, straight

__all__ = ["SETTINGS", "VET", "Sitting", "case_of", "simulated_case"]

SETTINGS = load_settings()
VET = Person("Orla Finch", "veterinarian", "sign")


@cache
def simulated_case(seed: int = 0, stages: tuple[int, ...] = (CALCIFIED,) * 6 + (THIN_SHELLED, FOLLICLE)) -> Case:
    """An animal swept once in each window."""
    rng = np.random.default_rng(seed)
    body = clutch(rng, list(stages))
    return case_of(
        *(
            follow(film(rng, body, straight(150), 150, window=window), SETTINGS.track, f"{window}-1.mp4", window)
            for window in ("left", "right")
        )
    )


def case_of(*clips: ClipTracks) -> Case:
    """The case of an animal whose clips were followed like this."""
    made = [ExamClip(Path(clip.file), clip.file, None, None, None) for clip in clips]
    exam = Exam(Path("AF-0412"), "AF-0412", dt.date(2026, 5, 14), "Emys orbicularis", 830, 152, 118, 0, tuple(made))
    scans = [empty_clip(clip) for clip in clips]
    coverage = tuple(clip_coverage(scan) for scan in scans)
    background = Background(profile_of(exam.species, load_profiles()))
    finding = estimate_exam(exam, clips, coverage, SETTINGS, background=background)
    grouping = group_exam(exam, clips, coverage, SETTINGS)
    census = take_census(grouping, finding, scans)
    model = ModelIdentity("simulated", "5" * 64)
    fingerprint = str(hash(census.dumps()))
    summary = summarise(exam, finding, scans)
    return Case(summary, tuple(scans), coverage, grouping, census, fingerprint, model, SETTINGS, background)


class Sitting:
    """People at a desk with one exam, who have always seen everything."""

    def __init__(self, out: Path, case: Case) -> None:
        self.case = case
        self.desk = Desk(Journal(out))
        self._requests = 0

    def say(self, answer: Answer, person: Person = VET, *, seen: int | None = None, even_so: bool = False) -> Event:
        self._requests += 1
        head = self.now.state.head if seen is None else seen
        event, _ = self.desk.take(self.case, person, f"request-{self._requests}", head, answer, even_so=even_so)
        return event

    @property
    def now(self) -> Reviewed:
        return self.desk.reviewed(self.case)

    def with_case(self, case: Case) -> Sitting:
        """The same people and answers over another result."""
        other = Sitting.__new__(Sitting)
        other.case, other.desk, other._requests = case, self.desk, self._requests + 1000
        return other


def renumbered(clip: ClipTracks, by: int) -> ClipTracks:
    """The same tracks under other numbers."""
    return replace(clip, tracks=tuple(replace(track, identity=track.identity + by) for track in clip.tracks))
