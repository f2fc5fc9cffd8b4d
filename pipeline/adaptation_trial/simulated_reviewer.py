"""A simulated reviewer who knows the ground truth: answers about every egg, outlines missed eggs, and signs.

The answers are submitted to the answer service, as the review page submits them. No ground truth is passed on in any
other way.
"""

from __future__ import annotations

from collections import Counter, defaultdict
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from models.ellipse import overlap
from models.stages import STAGES, Stage
from pipeline.bench.ground_truth import DataSet
from pipeline.labels.frame_selection import DRAWN_MARGIN_FRAMES, SIGHTING_MARGIN_FRAMES, outlines_by_frame
from pipeline.people.answers import AddEgg, MergeEggs, RejectEgg, RequestedAnswer, SetStage, Sign, TrackSegment
from pipeline.people.users import User
from pipeline.review.answer_service import AnswerService
from pipeline.review.best_view import usable_clips
from pipeline.review.cases import ReviewCase
from pipeline.review.replay import ReviewedEgg
from pipeline.scan.clip_scan import ClipScan

__all__ = ["REVIEWER", "ExamTruth", "TrueEgg", "exam_truth", "review_exam"]

REVIEWER = User("Orla Finch", "veterinarian", "sign")

# Judgement, no source:
MIN_MATCH_IOU = 0.5  # from which an outline counts as that of a true egg
MIN_MISSED_FRAMES = 3  # a missed egg in fewer frames would not be noticed by a person

Segments = tuple[TrackSegment, ...]


@dataclass(frozen=True)
class TrueEgg:
    """An egg on one frame, from the ground truth.

    number : of the egg in its animal
    ellipse : (5,), [cx, cy, semi-major, semi-minor, degrees], px of the frame
    stage : 0 follicle, 1 thin-shelled, 2 calcified
    is_clearly_visible : whether a person can see it well
    """

    number: int
    ellipse: tuple[float, float, float, float, float]
    stage: int
    is_clearly_visible: bool


ExamTruth = Mapping[str, Mapping[int, Sequence[TrueEgg]]]
"""The true eggs by clip and frame."""


def exam_truth(data_set: DataSet, animal: str) -> ExamTruth:
    """The ground truth of one animal's clips."""
    truth: dict[str, dict[int, list[TrueEgg]]] = defaultdict(lambda: defaultdict(list))
    objects = data_set.objects
    for row, place in enumerate(objects.frame.tolist()):
        frame_animal, clip, frame = data_set.frames.ids[place]
        if frame_animal == animal:
            cx, cy, a, b, degrees = objects.ellipses[row].tolist()
            # The ground truth is rounded, up to 90.0; answers need an angle in [-90, 90).
            degrees = degrees if degrees < 90 else degrees - 180
            truth[clip][frame].append(
                TrueEgg(
                    number=int(objects.object_id[row]),
                    ellipse=(cx, cy, a, b, degrees),
                    stage=int(objects.stage[row]),
                    is_clearly_visible=not bool(objects.ignored[row]),
                )
            )
    return truth


def review_exam(answer_service: AnswerService, case: ReviewCase, truth: ExamTruth, user: User = REVIEWER) -> None:
    """Answer about every egg that the page asks about, outline missed eggs, and sign."""
    reviewer = _AnsweringReviewer(answer_service, case, user)
    true_numbers = {egg.number: _true_egg(egg, case.scans, truth) for egg in reviewer.eggs() if egg.is_shown}
    segments = {egg.number: egg.segments for egg in reviewer.eggs()}
    false = tuple(segments[number] for number, true in true_numbers.items() if true is None)
    if false:
        reviewer.submit(RejectEgg(eggs=false))
    stages = {egg.number: egg.stage for clip in truth.values() for eggs in clip.values() for egg in eggs}
    by_stage: dict[Stage, list[Segments]] = defaultdict(list)
    first_found: dict[int, Segments] = {}  # by number of the true egg
    duplicates: list[tuple[Segments, Segments]] = []
    for number, true in true_numbers.items():
        if true is None:
            continue
        by_stage[STAGES[stages[true]]].append(segments[number])
        if true in first_found:
            duplicates.append((first_found[true], segments[number]))
        else:
            first_found[true] = segments[number]
    for stage, eggs in by_stage.items():
        reviewer.submit(SetStage(eggs=tuple(eggs), stage=stage))
    for scan in usable_clips(case.scans):
        for frame, egg in _missed_eggs(scan, truth.get(scan.file, {}), reviewer.eggs()):
            outline = AddEgg(clip=scan.file, frame=frame, ellipse=egg.ellipse, stage=STAGES[egg.stage])
            segment = TrackSegment(clip=scan.file, track=-reviewer.submit(outline), first=frame, last=frame)
            if egg.number in first_found:
                duplicates.append((first_found[egg.number], (segment,)))
            else:
                first_found[egg.number] = (segment,)
    for both in duplicates:
        reviewer.submit(MergeEggs(eggs=both))
    reviewer.submit(Sign())


class _AnsweringReviewer:
    """One user who submits answers about one exam, one after the other."""

    def __init__(self, answer_service: AnswerService, case: ReviewCase, user: User) -> None:
        self._service, self._case, self._user = answer_service, case, user
        self._submitted = 0

    def eggs(self) -> tuple[ReviewedEgg, ...]:
        return self._service.current_review(self._case).state.eggs

    def submit(self, answer: RequestedAnswer) -> int:
        """Submit an answer, and return its sequence number."""
        self._submitted += 1
        head = self._service.current_review(self._case).state.head
        return self._service.submit(self._case, self._user, f"reader-{self._submitted}", head, answer)[0].sequence


def _true_egg(egg: ReviewedEgg, scans: Iterable[ClipScan], truth: ExamTruth) -> int | None:
    """The number of the true egg that matches at least half of the outlines; None if no egg does."""
    votes: Counter[int] = Counter()
    outlines = 0
    for scan in usable_clips(list(scans)):
        for frame, ellipse in outlines_by_frame(egg, scan).items():
            outlines += 1
            true_eggs = truth.get(scan.file, {}).get(frame, ())
            if true_eggs:
                ious = overlap([ellipse], [true.ellipse for true in true_eggs])[0]
                if ious.max() >= MIN_MATCH_IOU:
                    votes[true_eggs[int(ious.argmax())].number] += 1
    number, most = votes.most_common(1)[0] if votes else (0, 0)
    return number if most and 2 * most >= outlines else None


def _missed_eggs(
    scan: ClipScan, truth: Mapping[int, Sequence[TrueEgg]], eggs: Sequence[ReviewedEgg]
) -> list[tuple[int, TrueEgg]]:
    """The frames on which to outline eggs that no track covers, and these eggs.

    Greedy: the frame that shows most missed eggs comes first, and all missed eggs on it are outlined. Frames near it
    are then left out. An egg does not count as missed on frames near those on which a track covers it, since labels
    ignore it there anyway.
    """
    tracked = [outlines for egg in eggs if egg.verdict == "egg" and (outlines := outlines_by_frame(egg, scan))]
    missed: dict[int, dict[int, TrueEgg]] = {}  # by number and frame
    for frame in set(scan.used_frames.tolist()) & truth.keys():
        nearby = []
        for outlines in tracked:
            nearest = min(outlines, key=lambda tracked_frame: abs(tracked_frame - frame))
            if abs(nearest - frame) <= SIGHTING_MARGIN_FRAMES:
                nearby.append(outlines[nearest])
        for true in truth[frame]:
            iou = overlap([true.ellipse], np.array(nearby).reshape(-1, 5)).max(initial=0)
            if true.is_clearly_visible and iou < MIN_MATCH_IOU:
                missed.setdefault(true.number, {})[frame] = true
    outlined: list[tuple[int, TrueEgg]] = []
    while missed := {number: frames for number, frames in missed.items() if len(frames) >= MIN_MISSED_FRAMES}:
        candidates = sorted({frame for frames in missed.values() for frame in frames})
        best = max(candidates, key=lambda frame: sum(frame in frames for frames in missed.values()))
        outlined += [(best, frames[best]) for _, frames in sorted(missed.items()) if best in frames]
        missed = {
            number: {frame: true for frame, true in frames.items() if abs(frame - best) > DRAWN_MARGIN_FRAMES}
            for number, frames in missed.items()
        }
    return outlined
