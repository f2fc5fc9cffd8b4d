"""A careful person at the vet's page who knows what is true: answers about every egg, outlines what was missed, signs.

Answers are given at the desk, as the page gives them; nothing else of the truth goes anywhere.
"""

from __future__ import annotations

from collections import Counter, defaultdict
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from models.ellipse import overlap
from pipeline.bench.ground_truth import DataSet
from pipeline.estimate.results import Stage
from pipeline.estimate.stages import STAGES
from pipeline.labels.frame_selection import DRAWN_MARGIN_FRAMES, SIGHTING_MARGIN_FRAMES, outlines_by_frame
from pipeline.review.answer_service import AnswerService
from pipeline.review.answers import AddEgg, Answer, MergeEggs, RejectEgg, SetStage, SignExam, TrackSegment
from pipeline.review.cases import ReviewCase
from pipeline.review.exam_document import usable_clips
from pipeline.review.replay import ReviewedEgg
from pipeline.review.users import User
from pipeline.scan.clip_scan import ClipScan

__all__ = ["REVIEWER", "ExamTruth", "TrueEgg", "exam_truth", "review_exam"]

REVIEWER = User("Orla Finch", "veterinarian", "sign")

MIN_MATCH_IOU = 0.5
MIN_MISSED_FRAMES = 3  # in fewer nobody would notice it


@dataclass(frozen=True)
class TrueEgg:
    """An egg on one frame. number : of the egg in its animal;  ellipse : (5,) px;  stage : 0 to 2

    is_clearly_visible : whether a person can see it well
    """

    number: int
    ellipse: tuple[float, float, float, float, float]
    stage: int
    is_clearly_visible: bool


ExamTruth = Mapping[str, Mapping[int, Sequence[TrueEgg]]]
"""By clip and frame."""


def exam_truth(data_set: DataSet, animal: str) -> ExamTruth:
    """What one animal's clips show."""
    truth: dict[str, dict[int, list[TrueEgg]]] = defaultdict(lambda: defaultdict(list))
    objects = data_set.objects
    for row, place in enumerate(objects.frame.tolist()):
        whose, clip, frame = data_set.frames.ids[place]
        if whose == animal:
            cx, cy, a, b, degrees = objects.ellipses[row].tolist()
            turned = degrees if degrees < 90 else degrees - 180  # truth is rounded, up to 90.0
            stage, plain = int(objects.stage[row]), not bool(objects.ignored[row])
            truth[clip][frame].append(TrueEgg(int(objects.object_id[row]), (cx, cy, a, b, turned), stage, plain))
    return truth


def review_exam(answer_service: AnswerService, case: ReviewCase, truth: ExamTruth, user: User = REVIEWER) -> None:
    """Answer about everything the page asks, outline what was missed, and sign."""
    answering = _AnsweringReviewer(answer_service, case, user)
    shown = {egg.number: _egg_of(egg, case.scans, truth) for egg in answering.eggs() if egg.is_shown}
    segments = {egg.number: egg.segments for egg in answering.eggs()}
    nothing = tuple(segments[number] for number, true in shown.items() if true is None)
    if nothing:
        answering.submit(RejectEgg(eggs=nothing))
    stages = {egg.number: egg.stage for clip in truth.values() for eggs in clip.values() for egg in eggs}
    of_stage: dict[Stage, list[tuple[TrackSegment, ...]]] = defaultdict(list)
    known: dict[int, tuple[TrackSegment, ...]] = {}
    twice: list[tuple[tuple[TrackSegment, ...], tuple[TrackSegment, ...]]] = []
    for number, true in shown.items():
        if true is None:
            continue
        of_stage[STAGES[stages[true]]].append(segments[number])
        if true in known:
            twice.append((known[true], segments[number]))
        else:
            known[true] = segments[number]
    for stage, eggs in of_stage.items():
        answering.submit(SetStage(eggs=tuple(eggs), stage=stage))
    for scan in usable_clips(case.scans):
        for frame, egg in _missed(scan, truth.get(scan.file, {}), answering.eggs()):
            drawn = AddEgg(clip=scan.file, frame=frame, ellipse=egg.ellipse, stage=STAGES[egg.stage])
            segment = TrackSegment(clip=scan.file, track=-answering.submit(drawn), first=frame, last=frame)
            if egg.number in known:
                twice.append((known[egg.number], (segment,)))
            else:
                known[egg.number] = (segment,)
    for both in twice:
        answering.submit(MergeEggs(eggs=both))
    answering.submit(SignExam(name=user.name, role=user.role))


class _AnsweringReviewer:
    """One person's answers about one exam, one after the other."""

    def __init__(self, answer_service: AnswerService, case: ReviewCase, user: User) -> None:
        self._desk, self._case, self._person = answer_service, case, user
        self._given = 0

    def eggs(self) -> tuple[ReviewedEgg, ...]:
        return self._desk.current_review(self._case).state.eggs

    def submit(self, answer: Answer) -> int:
        """Its sequence."""
        self._given += 1
        seen = self._desk.current_review(self._case).state.head
        return self._desk.submit(self._case, self._person, f"reader-{self._given}", seen, answer)[0].sequence


def _egg_of(egg: ReviewedEgg, scans: Iterable[ClipScan], truth: ExamTruth) -> int | None:
    """The true egg that at least half of the outlines lie on; None if it is none."""
    votes: Counter[int] = Counter()
    outlines = 0
    for scan in usable_clips(list(scans)):
        for frame, ellipse in outlines_by_frame(egg, scan).items():
            outlines += 1
            there = truth.get(scan.file, {}).get(frame, ())
            if there:
                shares = overlap([ellipse], [one.ellipse for one in there])[0]
                if shares.max() >= MIN_MATCH_IOU:
                    votes[there[int(shares.argmax())].number] += 1
    number, most = votes.most_common(1)[0] if votes else (0, 0)
    return number if most and 2 * most >= outlines else None


def _missed(
    scan: ClipScan, truth: Mapping[int, Sequence[TrueEgg]], eggs: Sequence[ReviewedEgg]
) -> list[tuple[int, TrueEgg]]:
    """Where to outline what nobody followed: all such eggs of one frame together, on as few frames as show them all.

    Left out are frames beside those on which an egg was followed, which stay open for it anyway.
    """
    followed = [found for egg in eggs if egg.verdict == "egg" and (found := outlines_by_frame(egg, scan))]
    missed: dict[int, dict[int, TrueEgg]] = {}
    used = set(scan.used_frames.tolist())
    for frame in used & truth.keys():
        for one in truth[frame]:
            near = [min(found, key=lambda at: abs(at - frame)) for found in followed]
            beside = [
                found[at] for found, at in zip(followed, near, strict=True) if abs(at - frame) <= SIGHTING_MARGIN_FRAMES
            ]
            if (
                one.is_clearly_visible
                and overlap([one.ellipse], np.array(beside).reshape(-1, 5)).max(initial=0) < MIN_MATCH_IOU
            ):
                missed.setdefault(one.number, {})[frame] = one
    drawn: list[tuple[int, TrueEgg]] = []
    while missed := {number: frames for number, frames in missed.items() if len(frames) >= MIN_MISSED_FRAMES}:
        frames = sorted({frame for frames in missed.values() for frame in frames})
        at = max(frames, key=lambda frame: sum(frame in frames for frames in missed.values()))
        drawn += [(at, frames[at]) for _, frames in sorted(missed.items()) if at in frames]
        missed = {
            number: {frame: one for frame, one in frames.items() if abs(frame - at) > DRAWN_MARGIN_FRAMES}
            for number, frames in missed.items()
        }
    return drawn
