"""Exams of simulated animals for review, without recordings: tracks, a snapshot, an answer service with its own log."""

from __future__ import annotations

import datetime as dt
from dataclasses import replace
from functools import cache
from pathlib import Path

import numpy as np

from pipeline.estimate.exam_estimate import estimate_exam, group_exam
from pipeline.estimate.history import AnimalBackground
from pipeline.exams.exam import Exam, ExamClip
from pipeline.exams.species import find_profile, load_profiles
from pipeline.people.answers import RequestedAnswer
from pipeline.people.event_log import Event, EventLog
from pipeline.people.journal import Journal
from pipeline.people.users import User
from pipeline.report.export.result import ModelIdentity
from pipeline.report.summary import summarise
from pipeline.review.answer_service import AnswerService
from pipeline.review.batch_snapshot import take_snapshot
from pipeline.review.cases import ReviewCase
from pipeline.review.exam_review import ExamReview
from pipeline.scan.coverage import clip_coverage
from pipeline.settings import load_settings
from pipeline.track.tracks import ClipTracks
from tests.pipeline.empty_scan import empty_scan
from tests.pipeline.track.simulated_clips import (
    CALCIFIED,
    FOLLICLE,
    THIN_SHELLED,
    one_way_sweep,
    random_clutch,
    simulate_clip,
    track_clip,
)

__all__ = ["SETTINGS", "VET", "SimulatedReview", "case_of", "simulated_case"]

SETTINGS = load_settings()
VET = User("Orla Finch", "veterinarian", "sign")


@cache
def simulated_case(seed: int = 0, stages: tuple[int, ...] = (CALCIFIED,) * 6 + (THIN_SHELLED, FOLLICLE)) -> ReviewCase:
    """An animal swept once in each window."""
    rng = np.random.default_rng(seed)
    body = random_clutch(rng, list(stages))
    return case_of(
        *(
            track_clip(
                simulate_clip(rng, body, one_way_sweep(150), 150, window=window),
                SETTINGS.track,
                f"{window}-1.mp4",
                window,
            )
            for window in ("left", "right")
        )
    )


def case_of(*clips: ClipTracks) -> ReviewCase:
    """The case of an animal with these tracks."""
    made = [ExamClip(Path(clip.file), clip.file, None, None, None) for clip in clips]
    exam = Exam(Path("AF-0412"), "AF-0412", dt.date(2026, 5, 14), "Emys orbicularis", 830, 152, 118, 0, tuple(made))
    scans = [empty_scan(clip) for clip in clips]
    coverage = tuple(clip_coverage(scan) for scan in scans)
    background = AnimalBackground(find_profile(exam.species, load_profiles()))
    finding = estimate_exam(exam, clips, coverage, SETTINGS, background=background)
    grouping = group_exam(exam, clips, coverage, SETTINGS)
    snapshot = take_snapshot(grouping, finding, scans)
    model = ModelIdentity("simulated", "5" * 64)
    fingerprint = str(hash(snapshot.dumps()))
    summary = summarise(exam, finding, scans)
    return ReviewCase(summary, tuple(scans), coverage, grouping, snapshot, fingerprint, model, SETTINGS, background)


class SimulatedReview:
    """Users who answer about one exam, and have seen all earlier answers unless ``base_sequence`` says otherwise."""

    def __init__(self, out: Path, case: ReviewCase) -> None:
        self.case = case
        self.answer_service = AnswerService(EventLog(Journal(out)))
        self._requests = 0

    def submit(
        self,
        answer: RequestedAnswer,
        user: User = VET,
        *,
        base_sequence: int | None = None,
        override_conflict: bool = False,
    ) -> Event:
        self._requests += 1
        head = self.now.state.head if base_sequence is None else base_sequence
        event, _ = self.answer_service.submit(
            self.case, user, f"request-{self._requests}", head, answer, override_conflict=override_conflict
        )
        return event

    @property
    def now(self) -> ExamReview:
        return self.answer_service.current_review(self.case)

    def with_case(self, case: ReviewCase) -> SimulatedReview:
        """The same users and answers with another result."""
        other = SimulatedReview.__new__(SimulatedReview)
        other.case, other.answer_service, other._requests = case, self.answer_service, self._requests + 1000
        return other


def renumbered(clip: ClipTracks, by: int) -> ClipTracks:
    """The same tracks with larger identities."""
    return replace(clip, tracks=tuple(replace(track, identity=track.identity + by) for track in clip.tracks))
