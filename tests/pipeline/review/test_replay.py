"""Answers replayed: whatever people say, take back and say again, no frame of any egg is lost or counted twice."""

from __future__ import annotations

import tempfile
from collections import Counter
from dataclasses import replace
from pathlib import Path

import pytest
from hypothesis import Phase, given, settings
from hypothesis import strategies as st

from pipeline.review.answer_service import Overtaken, Refused
from pipeline.review.answers import (
    Answer,
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
from pipeline.review.replay import ReviewState
from pipeline.review.users import Person
from tests.pipeline.review.simulated import VET, Sitting, simulated_case
from tests.pipeline.track.simulator import CALCIFIED, FOLLICLE, THIN_SHELLED

CASE = simulated_case(1, (CALCIFIED, CALCIFIED, THIN_SHELLED, FOLLICLE))
PHASES = (Phase.explicit, Phase.reuse, Phase.generate)  # shrinking takes minutes, and scripts are short
NURSE = Person("Ned Rush", "nurse", "review")
DRAWN = Drawn(clip="left-1.mp4", frame=3, ellipse=(300.0, 200.0, 30.0, 20.0, 10.0), stage="calcified")


@pytest.fixture
def sitting(tmp_path: Path) -> Sitting:
    return Sitting(tmp_path, CASE)


def chosen(state: ReviewState, kind: int, one: int, other: int) -> Answer:
    """Some answer about some eggs of this state."""
    first, second = (state.eggs[n % len(state.eggs)].pieces for n in (one, other))
    last = first[-1]
    middle = (last.first + last.last) // 2
    apart = (last,) if len(first) > 1 else (last.model_copy(update={"first": middle + 1}),)
    if kind == 4 and apart[0].first > apart[0].last:
        kind = 0
    answers: list[Answer] = [
        Confirmed(eggs=(first,)),
        NotAnEgg(eggs=(first,)),
        SameEgg(eggs=(first, second)),
        Staged(eggs=(first, second), stage="thin-shelled"),
        TwoEggs(egg=first, apart=apart) if kind == 4 else Confirmed(eggs=(second,)),
        DRAWN,
        Unusable(clip="right-1.mp4", first=one * 5, last=one * 5 + other),
        Usable(clip="right-1.mp4", first=other * 5, last=other * 5 + one),
        Comment(text="a word"),
    ]
    return answers[kind]


moves = st.tuples(
    st.sampled_from(["say"] * 6 + ["undo", "redo"]),
    st.integers(0, 8),
    st.integers(0, 12),
    st.integers(0, 12),
    st.sampled_from([VET, NURSE]),
)


def frames_of(state: ReviewState) -> Counter[tuple[str, int, int]]:
    return Counter(
        (piece.clip, piece.track, frame)
        for egg in state.eggs
        for piece in egg.pieces
        for frame in range(piece.first, piece.last + 1)
    )


def play(sitting: Sitting, script: list[tuple[str, int, int, int, Person]]) -> None:
    for what, kind, one, other, person in script:
        answer: Answer = {"undo": Undo(), "redo": Redo()}.get(what) or chosen(sitting.now.state, kind, one, other)
        try:
            sitting.say(answer, person, even_so=True)
        except Refused:
            continue


@settings(max_examples=12, phases=PHASES)
@given(st.lists(moves, min_size=3, max_size=8))
def test_whatever_is_said_every_frame_of_every_track_belongs_to_one_egg(
    script: list[tuple[str, int, int, int, Person]],
) -> None:
    with tempfile.TemporaryDirectory() as folder:
        sitting = Sitting(Path(folder), CASE)
        before = frames_of(sitting.now.state)
        play(sitting, script)
        state = sitting.now.state
        after = frames_of(state)
        assert {key: n for key, n in after.items() if key[1] > 0} == dict(before)
        assert all(n == 1 for key, n in after.items())
        assert len({egg.number for egg in state.eggs}) == len(state.eggs)
        assert not state.questions
        # The counts follow, whatever it is, and are sound.
        finding = sitting.now.finding
        for count, shelled in ((finding.shelled, True), (finding.follicles, False)):
            assert count.at_least <= count.interval90[0] <= count.estimate <= count.interval90[1]
            confirmed = [e for e in finding.eggs if (e.stage != "follicle") == shelled and e.confidence == 1.0]
            assert count.at_least >= len(confirmed)
        rejected = {egg.number for egg in state.eggs if egg.verdict == "not-egg"}
        assert not rejected & {egg.identity for egg in finding.eggs}


@settings(max_examples=6, phases=PHASES)
@given(st.lists(moves, min_size=3, max_size=6))
def test_everything_undone_leaves_what_the_batch_found_and_redone_what_was_said(
    script: list[tuple[str, int, int, int, Person]],
) -> None:
    with tempfile.TemporaryDirectory() as folder:
        sitting = Sitting(Path(folder), CASE)
        start = sitting.now
        play(sitting, script)
        said, undone = sitting.now, 0
        try:
            while True:
                sitting.say(Undo(), VET)
                undone += 1
        except Refused:
            pass
        for _ in range(undone):
            sitting.say(Redo(), VET)
        again = sitting.now
        assert replace(again.state, head=0) == replace(said.state, head=0)
        assert again.finding == said.finding
        for person in (VET, NURSE):
            try:
                while True:
                    sitting.say(Undo(), person)
            except Refused:
                pass
        assert replace(sitting.now.state, head=0) == replace(start.state, head=0)
        assert sitting.now.finding == start.finding == CASE.summary.finding


def test_undo_takes_back_only_what_the_same_person_said(sitting: Sitting) -> None:
    first, second = CASE.census.eggs[:2]
    sitting.say(NotAnEgg(eggs=(first.pieces,)), VET)
    sitting.say(NotAnEgg(eggs=(second.pieces,)), NURSE)
    assert sitting.say(Undo(), VET).answer == Undo(of=1)
    verdicts = {egg.number: egg.verdict for egg in sitting.now.state.eggs}
    assert (verdicts[first.number], verdicts[second.number]) == (None, "not-egg")
    with pytest.raises(Refused, match="nothing of yours"):
        sitting.say(Undo(), VET)


def test_something_said_after_undo_leaves_nothing_to_redo(sitting: Sitting) -> None:
    sitting.say(Comment(text="one"))
    sitting.say(Undo())
    sitting.say(Comment(text="two"))
    with pytest.raises(Refused):
        sitting.say(Redo())


def test_the_second_of_two_people_is_told_and_decides(sitting: Sitting) -> None:
    first, second = CASE.census.eggs[:2]
    sitting.say(NotAnEgg(eggs=(first.pieces,)), VET)
    sitting.say(Confirmed(eggs=(second.pieces,)), NURSE, seen=0)  # of another egg: nobody is in the way
    with pytest.raises(Overtaken, match="Orla Finch") as told:
        sitting.say(Confirmed(eggs=(first.pieces,)), NURSE, seen=0)
    assert [event.sequence for event in told.value.events] == [1]
    assert sitting.now.state.head == 2
    sitting.say(Confirmed(eggs=(first.pieces,)), NURSE, seen=0, even_so=True)
    assert sitting.now.state.eggs[0].verdict == "egg"
    assert sitting.now.events[-1].before["eggs"]["1"]["verdict"] == "not-egg"
    with pytest.raises(Overtaken):
        sitting.say(Signed(name="Orla Finch", role="veterinarian"), VET, seen=1)


def test_a_signed_exam_is_closed_until_it_is_opened_again(sitting: Sitting) -> None:
    pieces = CASE.census.eggs[0].pieces
    with pytest.raises(Refused, match="not sign"):
        sitting.say(Signed(name="Ned Rush", role="nurse"), NURSE)
    sitting.say(Signed(name="Orla Finch", role="veterinarian"))
    signed = sitting.now.state.signed
    assert signed is not None
    assert (signed.name, signed.role, signed.sequence) == ("Orla Finch", "veterinarian", 1)
    for answer in (Confirmed(eggs=(pieces,)), Undo(), Comment(text="late")):
        with pytest.raises(Refused, match="has signed"):
            sitting.say(answer)
    with pytest.raises(Refused, match="Only those who may sign"):
        sitting.say(Reopened(reason="a slip"), NURSE)
    sitting.say(Reopened(reason="a slip"))
    sitting.say(Confirmed(eggs=(pieces,)))
    assert [event.answer.kind for event in sitting.now.events] == ["signed", "reopened", "egg"]


def test_answers_about_nothing_are_refused(sitting: Sitting) -> None:
    nowhere = Piece(clip="left-1.mp4", track=4999, first=0, last=5)
    for answer in (
        Confirmed(eggs=((nowhere,),)),
        SameEgg(eggs=((nowhere,), CASE.census.eggs[0].pieces)),
        DRAWN.model_copy(update={"clip": "left-9.mp4"}),
        DRAWN.model_copy(update={"frame": 150}),
        DRAWN.model_copy(update={"ellipse": (700.0, 10.0, 5.0, 4.0, 0.0)}),
        Unusable(clip="left-1.mp4", first=10, last=150),
        Settled(of=1),
    ):
        with pytest.raises(Refused):
            sitting.say(answer)
    assert sitting.now.events == ()


def test_parts_marked_unusable_join_and_open_again(sitting: Sitting) -> None:
    sitting.say(Unusable(clip="left-1.mp4", first=10, last=40))
    sitting.say(Unusable(clip="left-1.mp4", first=30, last=60))
    sitting.say(Usable(clip="left-1.mp4", first=20, last=25))
    frames = {frame for first, last in sitting.now.state.unusable["left-1.mp4"] for frame in range(first, last + 1)}
    assert frames == {*range(10, 20), *range(26, 61)}
