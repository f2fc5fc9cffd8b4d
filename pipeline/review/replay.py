"""The state of an exam's review: the answers replayed, in their order, over what the batch found.

An answer holds until a later one about the same egg says otherwise, whoever gives it. An answer that was undone is as
if it had not been given, and one whose egg is not found becomes a question until a person settles it.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from typing import Literal

from pipeline.estimate.finding import Stage
from pipeline.review.answers import (
    Comment,
    Confirmed,
    Drawn,
    NotAnEgg,
    Piece,
    Redo,
    Reopened,
    SameEgg,
    Settled,
    Signed,
    Staged,
    TwoEggs,
    Undo,
    Unusable,
    Usable,
)
from pipeline.review.batch_snapshot import Census
from pipeline.review.event_log import Event
from pipeline.review.track_transfer import Carrying

__all__ = ["ReviewState", "ReviewedEgg", "Signature", "replay", "undoable"]

Verdict = Literal["egg", "not-egg"]
Outline = tuple[float, float, float, float, float]
SHOWN_EXISTENCE = 0.2  # listed are those from 0.5; below this they are gut and noise more often than not (judgement)


@dataclass(frozen=True)
class ReviewedEgg:
    """One object, as the batch found it and as people see it.

    number : stays with it through the whole review;  listed : whether the batch counted it
    existence : probability that it is real, by the batch alone; 1 of what a person drew
    verdict : None while nobody has said anything;  stage : a person's, None where the batch's stands
    remade : whether its pieces are others than those the batch put together
    outlines : by track, of its pieces that a person drew;  by : who spoke last of it
    """

    number: int
    pieces: tuple[Piece, ...]
    listed: bool
    verdict: Verdict | None = None
    stage: Stage | None = None
    remade: bool = False
    outlines: Mapping[int, Outline] = field(default_factory=dict)
    by: str | None = None
    existence: float = 1.0

    @property
    def is_shown(self) -> bool:
        """Whether a person is asked about it; of what hardly anybody would take for an egg nobody is."""
        return self.listed or self.verdict is not None or self.existence >= SHOWN_EXISTENCE


@dataclass(frozen=True)
class Signature:
    name: str
    role: str
    at: str
    sequence: int


@dataclass(frozen=True)
class ReviewState:
    """eggs : by number;  unusable : by clip, stretches of frames with both ends included

    comments, questions : the events that hold them;  signed : None while open
    """

    eggs: tuple[ReviewedEgg, ...]
    unusable: Mapping[str, tuple[tuple[int, int], ...]] = field(default_factory=dict)
    comments: tuple[Event, ...] = ()
    questions: tuple[Event, ...] = ()
    signed: Signature | None = None
    head: int = 0

    @property
    def is_answered(self) -> bool:
        """Whether anything that bears on the figures has been said."""
        return bool(self.unusable) or any(egg.verdict for egg in self.eggs)

    def egg(self, pieces: Sequence[Piece]) -> ReviewedEgg | None:
        """The egg that has most frames of these pieces, None if none has any."""
        return _holder(self.eggs, pieces)


def replay(census: Census, events: Sequence[Event], carrying: Mapping[int, Carrying]) -> ReviewState:
    """The state after these events. carrying : by the number of the census that an event was given over."""
    table = _Table({e.number: ReviewedEgg(e.number, e.pieces, e.listed, existence=e.existence) for e in census.eggs})
    taken_back = _taken_back(events)
    for event in events:
        table.take(event, carrying[event.census], is_undone=event.sequence in taken_back)
    return ReviewState(
        eggs=tuple(table.eggs[number] for number in sorted(table.eggs)),
        unusable={clip: stretches for clip, stretches in sorted(table.unusable.items()) if stretches},
        comments=tuple(table.comments),
        questions=tuple(event for event in table.questions if event.sequence not in table.settled),
        signed=table.signed,
        head=events[-1].sequence if events else 0,
    )


def undoable(events: Sequence[Event], person: str) -> tuple[int | None, int | None]:
    """The sequences of the person's answer that undo takes back, and of the one that redo gives again."""
    done: list[int] = []
    undone: list[int] = []
    for event in events:
        if event.person != person or isinstance(event.answer, Signed | Reopened):
            continue
        if isinstance(event.answer, Undo):
            if event.answer.of in done:
                done.remove(event.answer.of)
                undone.append(event.answer.of)
        elif isinstance(event.answer, Redo):
            if event.answer.of in undone:
                undone.remove(event.answer.of)
                done.append(event.answer.of)
        else:
            done.append(event.sequence)
            undone.clear()
    return (done[-1] if done else None), (undone[-1] if undone else None)


def _taken_back(events: Sequence[Event]) -> set[int]:
    out: set[int] = set()
    for event in events:
        if isinstance(event.answer, Undo) and event.answer.of is not None:
            out.add(event.answer.of)
        elif isinstance(event.answer, Redo) and event.answer.of is not None:
            out.discard(event.answer.of)
    return out


def _holder(eggs: Sequence[ReviewedEgg], pieces: Sequence[Piece]) -> ReviewedEgg | None:
    shares = [sum(own.shared_frames(piece) for own in egg.pieces for piece in pieces) for egg in eggs]
    best = max(range(len(eggs)), key=lambda row: (shares[row], -row), default=None)
    return eggs[best] if best is not None and shares[best] > 0 else None


class _Table:
    """The eggs on the table while the answers are replayed."""

    def __init__(self, eggs: dict[int, ReviewedEgg]) -> None:
        self.eggs = eggs
        self.unusable: dict[str, tuple[tuple[int, int], ...]] = {}
        self.comments: list[Event] = []
        self.questions: list[Event] = []
        self.settled: set[int] = set()
        self.signed: Signature | None = None
        self._numbers = max(eggs, default=0)
        self._instead: dict[int, Piece] = {}  # by drawn track: what another network found there since

    def take(self, event: Event, carrying: Carrying, *, is_undone: bool) -> None:
        answer = event.answer
        if isinstance(answer, Drawn | TwoEggs):
            self._numbers += 1  # also where it was undone, so that later numbers stay
        if is_undone:
            return
        if isinstance(answer, Signed):
            self.signed = Signature(answer.name, answer.role, event.at, event.sequence)
        elif isinstance(answer, Reopened):
            self.signed = None
        elif isinstance(answer, Comment):
            self.comments.append(event)
        elif isinstance(answer, Settled):
            self.settled.add(answer.of)
        elif isinstance(answer, Unusable | Usable):
            file = carrying.file(answer.clip)
            if file is None:
                self.questions.append(event)
            else:
                self._mark(file, answer.first, answer.last, isinstance(answer, Unusable))
        elif isinstance(answer, Drawn):
            self._draw(event, answer, carrying)
        elif isinstance(answer, TwoEggs):
            self._part(event, answer, carrying)
        elif isinstance(answer, SameEgg):
            self._join(event, answer, carrying)
        elif isinstance(answer, Confirmed | NotAnEgg | Staged):
            self._judge(event, answer, carrying)

    def _judge(self, event: Event, answer: Confirmed | NotAnEgg | Staged, carrying: Carrying) -> None:
        found = [self._find(pieces, carrying) for pieces in answer.eggs]
        for egg in found:
            if egg is not None:
                verdict: Verdict = "not-egg" if isinstance(answer, NotAnEgg) else "egg"
                stage = answer.stage if isinstance(answer, Staged) else egg.stage
                self._put(replace(egg, verdict=verdict, stage=stage, by=event.person))
        if None in found:
            self.questions.append(event)

    def _join(self, event: Event, answer: SameEgg, carrying: Carrying) -> None:
        one, other = (self._find(pieces, carrying) for pieces in answer.eggs)
        if one is None or other is None:
            self.questions.append(event)
            return
        first, second = sorted((one, other), key=lambda egg: egg.number)
        joined = replace(first, verdict="egg", stage=one.stage or other.stage, by=event.person)
        if first.number != second.number:
            pieces = (*first.pieces, *second.pieces)
            outlines = {**first.outlines, **second.outlines}
            listed = first.listed or second.listed
            joined = replace(joined, pieces=pieces, outlines=outlines, listed=listed, remade=True)
            del self.eggs[second.number]
        self._put(joined)

    def _part(self, event: Event, answer: TwoEggs, carrying: Carrying) -> None:
        number = self._numbers
        apart = self._now(answer.apart, carrying)
        egg = _holder(self._all(), apart)
        rest = _holder(self._all(), _without(self._now(answer.egg, carrying), apart))
        if egg is None or rest is None:
            self.questions.append(event)
            return
        if egg.number == rest.number:
            kept, taken = _without(egg.pieces, apart), _within(egg.pieces, apart)
            rest = replace(egg, pieces=kept, remade=True)
            egg = replace(egg, number=number, pieces=taken, remade=True)
        # Where another network has told them apart already there is nothing left to do but to confirm them.
        self._put(replace(rest, verdict="egg", by=event.person))
        self._put(replace(egg, verdict="egg", by=event.person))

    def _draw(self, event: Event, answer: Drawn, carrying: Carrying) -> None:
        number, track = self._numbers, -event.sequence
        file = carrying.file(answer.clip)
        if file is None:
            self.questions.append(event)
            return
        found = carrying.found(file, answer.frame, answer.ellipse)
        egg = None if found is None else _holder(self._all(), (found,))
        if found is not None and egg is not None:
            self._instead[track] = found
            self._put(replace(egg, verdict="egg", stage=answer.stage, by=event.person))
            return
        piece = Piece(clip=file, track=track, first=answer.frame, last=answer.frame)
        outlines = {track: answer.ellipse}
        self._put(ReviewedEgg(number, (piece,), False, "egg", answer.stage, True, outlines, event.person))

    def _mark(self, file: str, first: int, last: int, unusable: bool) -> None:
        kept = [
            part
            for begin, end in self.unusable.get(file, ())
            for part in ((begin, min(end, first - 1)), (max(begin, last + 1), end))
            if part[0] <= part[1]
        ]
        self.unusable[file] = tuple(sorted({*kept, (first, last)} if unusable else set(kept)))

    def _now(self, pieces: Sequence[Piece], carrying: Carrying) -> tuple[Piece, ...]:
        return tuple(self._instead.get(piece.track, piece) for piece in carrying.pieces(pieces))

    def _find(self, pieces: Sequence[Piece], carrying: Carrying) -> ReviewedEgg | None:
        return _holder(self._all(), self._now(pieces, carrying))

    def _all(self) -> list[ReviewedEgg]:
        return [self.eggs[number] for number in sorted(self.eggs)]

    def _put(self, egg: ReviewedEgg) -> None:
        self.eggs[egg.number] = egg


def _within(pieces: Sequence[Piece], chosen: Sequence[Piece]) -> tuple[Piece, ...]:
    """What of the pieces is also in the chosen ones."""
    return tuple(
        piece.model_copy(update={"first": max(piece.first, one.first), "last": min(piece.last, one.last)})
        for piece in pieces
        for one in chosen
        if piece.shared_frames(one)
    )


def _without(pieces: Sequence[Piece], chosen: Sequence[Piece]) -> tuple[Piece, ...]:
    """What of the pieces is in none of the chosen ones."""
    left = list(pieces)
    for one in chosen:
        parts: list[Piece] = []
        for piece in left:
            if not piece.shared_frames(one):
                parts.append(piece)
                continue
            ends = ((piece.first, one.first - 1), (one.last + 1, piece.last))
            parts += [piece.model_copy(update={"first": begin, "last": end}) for begin, end in ends if begin <= end]
        left = parts
    return tuple(left)
