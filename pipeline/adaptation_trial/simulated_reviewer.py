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
from pipeline.estimate.finding import Stage
from pipeline.estimate.stages import STAGES
from pipeline.labels.frames import BESIDE_FRAMES, NEAR_DRAWN_FRAMES, sightings_of
from pipeline.review.answer_service import Desk
from pipeline.review.answers import Answer, Drawn, NotAnEgg, Piece, SameEgg, Signed, Staged
from pipeline.review.exam_view import clips_of
from pipeline.review.replay import ReviewedEgg
from pipeline.review.reviewed_exams import Case
from pipeline.review.users import Person
from pipeline.scan.clip_scan import ClipScan

__all__ = ["READER", "ExamTruth", "TrueEgg", "review_exam", "truth_of"]

READER = Person("Orla Finch", "veterinarian", "sign")

SAME_OVERLAP = 0.5
LEAST_FRAMES_MISSED = 3  # in fewer nobody would notice it


@dataclass(frozen=True)
class TrueEgg:
    """An egg on one frame. number : of the egg in its animal;  ellipse : (5,) px;  stage : 0 to 2

    is_plain : whether a person can see it well
    """

    number: int
    ellipse: tuple[float, float, float, float, float]
    stage: int
    is_plain: bool


ExamTruth = Mapping[str, Mapping[int, Sequence[TrueEgg]]]
"""By clip and frame."""


def truth_of(data_set: DataSet, animal: str) -> ExamTruth:
    """What one animal's clips show."""
    truth: dict[str, dict[int, list[TrueEgg]]] = defaultdict(lambda: defaultdict(list))
    objects = data_set.objects
    for row, place in enumerate(objects.frame.tolist()):
        whose, clip, frame = data_set.frames.names[place]
        if whose == animal:
            cx, cy, a, b, degrees = objects.ellipses[row].tolist()
            turned = degrees if degrees < 90 else degrees - 180  # truth is rounded, up to 90.0
            stage, plain = int(objects.stage[row]) - 1, not bool(objects.ignored[row])
            truth[clip][frame].append(TrueEgg(int(objects.track[row]), (cx, cy, a, b, turned), stage, plain))
    return truth


def review_exam(desk: Desk, case: Case, truth: ExamTruth, person: Person = READER) -> None:
    """Answer about everything the page asks, outline what was missed, and sign."""
    sitting = _Sitting(desk, case, person)
    shown = {egg.number: _egg_of(egg, case.scans, truth) for egg in sitting.eggs() if egg.is_shown}
    pieces = {egg.number: egg.pieces for egg in sitting.eggs()}
    nothing = tuple(pieces[number] for number, true in shown.items() if true is None)
    if nothing:
        sitting.say(NotAnEgg(eggs=nothing))
    stages = {egg.number: egg.stage for clip in truth.values() for eggs in clip.values() for egg in eggs}
    of_stage: dict[Stage, list[tuple[Piece, ...]]] = defaultdict(list)
    known: dict[int, tuple[Piece, ...]] = {}
    twice: list[tuple[tuple[Piece, ...], tuple[Piece, ...]]] = []
    for number, true in shown.items():
        if true is None:
            continue
        of_stage[STAGES[stages[true]]].append(pieces[number])
        if true in known:
            twice.append((known[true], pieces[number]))
        else:
            known[true] = pieces[number]
    for stage, eggs in of_stage.items():
        sitting.say(Staged(eggs=tuple(eggs), stage=stage))
    for scan in clips_of(case.scans):
        for frame, egg in _missed(scan, truth.get(scan.file, {}), sitting.eggs()):
            drawn = Drawn(clip=scan.file, frame=frame, ellipse=egg.ellipse, stage=STAGES[egg.stage])
            piece = Piece(clip=scan.file, track=-sitting.say(drawn), first=frame, last=frame)
            if egg.number in known:
                twice.append((known[egg.number], (piece,)))
            else:
                known[egg.number] = (piece,)
    for both in twice:
        sitting.say(SameEgg(eggs=both))
    sitting.say(Signed(name=person.name, role=person.role))


class _Sitting:
    """One person's answers about one exam, one after the other."""

    def __init__(self, desk: Desk, case: Case, person: Person) -> None:
        self._desk, self._case, self._person = desk, case, person
        self._given = 0

    def eggs(self) -> tuple[ReviewedEgg, ...]:
        return self._desk.reviewed(self._case).state.eggs

    def say(self, answer: Answer) -> int:
        """Its sequence."""
        self._given += 1
        seen = self._desk.reviewed(self._case).state.head
        return self._desk.take(self._case, self._person, f"reader-{self._given}", seen, answer)[0].sequence


def _egg_of(egg: ReviewedEgg, scans: Iterable[ClipScan], truth: ExamTruth) -> int | None:
    """The true egg that at least half of the outlines lie on; None if it is none."""
    votes: Counter[int] = Counter()
    outlines = 0
    for scan in clips_of(list(scans)):
        for frame, ellipse in sightings_of(egg, scan).items():
            outlines += 1
            there = truth.get(scan.file, {}).get(frame, ())
            if there:
                shares = overlap([ellipse], [one.ellipse for one in there])[0]
                if shares.max() >= SAME_OVERLAP:
                    votes[there[int(shares.argmax())].number] += 1
    number, most = votes.most_common(1)[0] if votes else (0, 0)
    return number if most and 2 * most >= outlines else None


def _missed(
    scan: ClipScan, truth: Mapping[int, Sequence[TrueEgg]], eggs: Sequence[ReviewedEgg]
) -> list[tuple[int, TrueEgg]]:
    """Where to outline what nobody followed: all such eggs of one frame together, on as few frames as show them all.

    Left out are frames beside those on which an egg was followed, which stay open for it anyway.
    """
    followed = [found for egg in eggs if egg.verdict == "egg" and (found := sightings_of(egg, scan))]
    missed: dict[int, dict[int, TrueEgg]] = {}
    used = set(scan.used.tolist())
    for frame in used & truth.keys():
        for one in truth[frame]:
            near = [min(found, key=lambda at: abs(at - frame)) for found in followed]
            beside = [found[at] for found, at in zip(followed, near, strict=True) if abs(at - frame) <= BESIDE_FRAMES]
            if one.is_plain and overlap([one.ellipse], np.array(beside).reshape(-1, 5)).max(initial=0) < SAME_OVERLAP:
                missed.setdefault(one.number, {})[frame] = one
    drawn: list[tuple[int, TrueEgg]] = []
    while missed := {number: frames for number, frames in missed.items() if len(frames) >= LEAST_FRAMES_MISSED}:
        frames = sorted({frame for frames in missed.values() for frame in frames})
        at = max(frames, key=lambda frame: sum(frame in frames for frames in missed.values()))
        drawn += [(at, frames[at]) for _, frames in sorted(missed.items()) if at in frames]
        missed = {
            number: {frame: one for frame, one in frames.items() if abs(frame - at) > NEAR_DRAWN_FRAMES}
            for number, frames in missed.items()
        }
    return drawn
