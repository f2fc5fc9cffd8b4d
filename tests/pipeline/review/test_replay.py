"""Replayed answers: whatever users answer, undo and redo, no frame of any egg is lost or counted twice."""

from __future__ import annotations

import tempfile
from collections import Counter
from dataclasses import replace
from pathlib import Path

import pytest
from hypothesis import Phase, given, settings
from hypothesis import strategies as st

from pipeline.people.answers import (
    AddComment,
    AddEgg,
    Answer,
    ConfirmEgg,
    LeaveUncertain,
    MarkUnusable,
    MarkUsable,
    MergeEggs,
    Redo,
    RejectEgg,
    ReopenExam,
    ReshapeEgg,
    ResolveQuestion,
    SetStage,
    Sign,
    SplitEgg,
    TrackSegment,
    Undo,
)
from pipeline.people.users import User
from pipeline.review.answer_service import AnswerRejected, EditConflict
from pipeline.review.replay import ReviewState
from pipeline.review.undo import undone_sequences
from tests.pipeline.review.simulated_cases import VET, SimulatedReview, simulated_case
from tests.pipeline.track.simulated_clips import CALCIFIED, FOLLICLE, THIN_SHELLED

CASE = simulated_case(1, (CALCIFIED, CALCIFIED, THIN_SHELLED, FOLLICLE))
PHASES = (Phase.explicit, Phase.reuse, Phase.generate)  # without shrinking, which takes minutes: scripts are short
NURSE = User("Ned Rush", "nurse", "review")
DRAWN = AddEgg(clip="left-1.mp4", frame=3, ellipse=(300.0, 200.0, 30.0, 20.0, 10.0), stage="calcified")


@pytest.fixture
def simulated_review(tmp_path: Path) -> SimulatedReview:
    return SimulatedReview(tmp_path, CASE)


def some_answer(state: ReviewState, kind: int, one: int, other: int) -> Answer:
    """An answer of a kind about two eggs of this state."""
    first, second = (state.eggs[n % len(state.eggs)].segments for n in (one, other))
    last = first[-1]
    middle = (last.first + last.last) // 2
    apart = (last,) if len(first) > 1 else (last.model_copy(update={"first": middle + 1}),)
    if kind == 4 and apart[0].first > apart[0].last:
        kind = 0
    answers: list[Answer] = [
        ConfirmEgg(eggs=(first,)),
        RejectEgg(eggs=(first,)),
        MergeEggs(eggs=(first, second)),
        SetStage(eggs=(first, second), stage="thin-shelled"),
        SplitEgg(egg=first, apart=apart) if kind == 4 else ConfirmEgg(eggs=(second,)),
        DRAWN,
        MarkUnusable(clip="right-1.mp4", first=one * 5, last=one * 5 + other),
        MarkUsable(clip="right-1.mp4", first=other * 5, last=other * 5 + one),
        AddComment(text="a comment"),
        LeaveUncertain(eggs=(first,)),
        ReshapeEgg(egg=first, clip=last.clip, frame=last.first, ellipse=(300.0, 200.0, 30.0, 20.0, 10.0)),
    ]
    return answers[kind]


moves = st.tuples(
    st.sampled_from(["answer"] * 6 + ["undo", "redo"]),
    st.integers(0, 10),
    st.integers(0, 12),
    st.integers(0, 12),
    st.sampled_from([VET, NURSE]),
)


def frames_of(state: ReviewState) -> Counter[tuple[str, int, int]]:
    return Counter(
        (segment.clip, segment.track, frame)
        for egg in state.eggs
        for segment in egg.segments
        for frame in range(segment.first, segment.last + 1)
    )


def play(simulated_review: SimulatedReview, script: list[tuple[str, int, int, int, User]]) -> None:
    for what, kind, one, other, person in script:
        answer: Answer = {"undo": Undo(), "redo": Redo()}.get(what) or some_answer(
            simulated_review.now.state, kind, one, other
        )
        try:
            simulated_review.submit(answer, person, override_conflict=True)
        except AnswerRejected:
            continue


@settings(max_examples=12, phases=PHASES)
@given(st.lists(moves, min_size=3, max_size=8))
def test_after_any_answers_every_frame_of_every_track_belongs_to_one_egg(
    script: list[tuple[str, int, int, int, User]],
) -> None:
    with tempfile.TemporaryDirectory() as folder:
        simulated_review = SimulatedReview(Path(folder), CASE)
        before = frames_of(simulated_review.now.state)
        play(simulated_review, script)
        state = simulated_review.now.state
        after = frames_of(state)
        assert {key: n for key, n in after.items() if key[1] > 0} == dict(before)
        assert all(n == 1 for key, n in after.items())
        assert len({egg.number for egg in state.eggs}) == len(state.eggs)
        # Only an outline that its own user took back leaves a question, if another user has answered about it.
        events = simulated_review.now.events
        gone = {f'"track":{-sequence},' for sequence in undone_sequences(events)}
        assert all(any(one in question.answer.model_dump_json() for one in gone) for question in state.questions)
        # The counts are consistent with each other and with the confirmed eggs.
        finding = simulated_review.now.finding
        for count, shelled in ((finding.shelled, True), (finding.follicles, False)):
            assert count.at_least <= count.interval90[0] <= count.estimate <= count.interval90[1]
            confirmed = [e for e in finding.eggs if (e.stage != "follicle") == shelled and e.confidence == 1.0]
            assert count.at_least >= len(confirmed)
        rejected = {egg.number for egg in state.eggs if egg.verdict == "not-egg"}
        assert not rejected & {egg.identity for egg in finding.eggs}


@settings(max_examples=6, phases=PHASES)
@given(st.lists(moves, min_size=3, max_size=6))
def test_undoing_everything_restores_the_batch_s_result_and_redoing_the_answers(
    script: list[tuple[str, int, int, int, User]],
) -> None:
    with tempfile.TemporaryDirectory() as folder:
        simulated_review = SimulatedReview(Path(folder), CASE)
        start = simulated_review.now
        play(simulated_review, script)
        answered, undone = simulated_review.now, 0
        try:
            while True:
                simulated_review.submit(Undo(), VET)
                undone += 1
        except AnswerRejected:
            pass
        for _ in range(undone):
            simulated_review.submit(Redo(), VET)
        again = simulated_review.now
        assert replace(again.state, head=0) == replace(answered.state, head=0)
        assert again.finding == answered.finding
        for person in (VET, NURSE):
            try:
                while True:
                    simulated_review.submit(Undo(), person)
            except AnswerRejected:
                pass
        assert replace(simulated_review.now.state, head=0) == replace(start.state, head=0)
        assert simulated_review.now.finding == start.finding == CASE.summary.finding


def test_undo_applies_only_to_the_same_user_s_answers(simulated_review: SimulatedReview) -> None:
    first, second = CASE.snapshot.eggs[:2]
    simulated_review.submit(RejectEgg(eggs=(first.segments,)), VET)
    simulated_review.submit(RejectEgg(eggs=(second.segments,)), NURSE)
    assert simulated_review.submit(Undo(), VET).answer == Undo(of=1)
    verdicts = {egg.number: egg.verdict for egg in simulated_review.now.state.eggs}
    assert (verdicts[first.number], verdicts[second.number]) == (None, "not-egg")
    with pytest.raises(AnswerRejected, match="nothing to undo"):
        simulated_review.submit(Undo(), VET)


def test_undone_sequences_follow_undo_redo_and_undo_again(simulated_review: SimulatedReview) -> None:
    simulated_review.submit(AddComment(text="one"))
    for answer, undone in ((Undo(), {1}), (Redo(), set()), (Undo(), {1})):
        simulated_review.submit(answer)
        assert undone_sequences(simulated_review.now.events) == undone


def test_an_answer_after_undo_leaves_nothing_to_redo(simulated_review: SimulatedReview) -> None:
    simulated_review.submit(AddComment(text="one"))
    simulated_review.submit(Undo())
    simulated_review.submit(AddComment(text="two"))
    with pytest.raises(AnswerRejected):
        simulated_review.submit(Redo())


def test_the_second_of_two_users_is_informed_and_decides(simulated_review: SimulatedReview) -> None:
    first, second = CASE.snapshot.eggs[:2]
    simulated_review.submit(RejectEgg(eggs=(first.segments,)), VET)
    simulated_review.submit(ConfirmEgg(eggs=(second.segments,)), NURSE, base_sequence=0)  # another egg, so no conflict
    with pytest.raises(EditConflict, match="Orla Finch") as conflict:
        simulated_review.submit(ConfirmEgg(eggs=(first.segments,)), NURSE, base_sequence=0)
    assert [event.sequence for event in conflict.value.events] == [1]
    assert simulated_review.now.state.head == 2
    simulated_review.submit(ConfirmEgg(eggs=(first.segments,)), NURSE, base_sequence=0, override_conflict=True)
    assert simulated_review.now.state.eggs[0].verdict == "egg"
    assert simulated_review.now.events[-1].before["eggs"]["1"]["verdict"] == "not-egg"
    with pytest.raises(EditConflict):
        simulated_review.submit(Sign(), VET, base_sequence=1)


def test_a_signed_exam_is_closed_until_it_is_reopened(simulated_review: SimulatedReview) -> None:
    segments = CASE.snapshot.eggs[0].segments
    with pytest.raises(AnswerRejected, match="not to sign"):
        simulated_review.submit(Sign(), NURSE)
    simulated_review.submit(Sign())
    signed = simulated_review.now.state.signature
    assert signed is not None
    assert (signed.name, signed.role, signed.sequence) == ("Orla Finch", "veterinarian", 1)
    for answer in (ConfirmEgg(eggs=(segments,)), Undo(), AddComment(text="late")):
        with pytest.raises(AnswerRejected, match="has signed"):
            simulated_review.submit(answer)
    with pytest.raises(AnswerRejected, match="Only users with permission to sign"):
        simulated_review.submit(ReopenExam(reason="a slip"), NURSE)
    simulated_review.submit(ReopenExam(reason="a slip"))
    simulated_review.submit(ConfirmEgg(eggs=(segments,)))
    assert [event.answer.kind for event in simulated_review.now.events] == ["signed", "reopened", "egg"]


def test_answers_about_missing_eggs_clips_or_frames_are_rejected(simulated_review: SimulatedReview) -> None:
    nowhere = TrackSegment(clip="left-1.mp4", track=4999, first=0, last=5)
    for answer in (
        ConfirmEgg(eggs=((nowhere,),)),
        MergeEggs(eggs=((nowhere,), CASE.snapshot.eggs[0].segments)),
        DRAWN.model_copy(update={"clip": "left-9.mp4"}),
        DRAWN.model_copy(update={"frame": 150}),
        DRAWN.model_copy(update={"ellipse": (700.0, 10.0, 5.0, 4.0, 0.0)}),
        MarkUnusable(clip="left-1.mp4", first=10, last=150),
        ResolveQuestion(of=1),
    ):
        with pytest.raises(AnswerRejected):
            simulated_review.submit(answer)
    assert simulated_review.now.events == ()


def test_no_exam_is_signed_past_a_candidate_that_nobody_looked_at(tmp_path: Path) -> None:
    eggs = CASE.snapshot.eggs
    last = replace(eggs[-1], counted_by_batch=False, existence=0.4)
    simulated_review = SimulatedReview(
        tmp_path, replace(CASE, snapshot=replace(CASE.snapshot, eggs=(*eggs[:-1], last)))
    )
    with pytest.raises(AnswerRejected, match=f"Number {last.number} is uncertain and not counted"):
        simulated_review.submit(Sign())
    simulated_review.submit(LeaveUncertain(eggs=(last.segments,)))
    assert simulated_review.now.finding == CASE.summary.finding
    simulated_review.submit(Sign())
    assert simulated_review.now.state.signature is not None


def test_the_numbers_of_undone_eggs_are_given_again(simulated_review: SimulatedReview) -> None:
    highest = max(egg.number for egg in simulated_review.now.state.eggs)
    simulated_review.submit(DRAWN)
    simulated_review.submit(Undo())
    simulated_review.submit(DRAWN.model_copy(update={"frame": 9}))
    assert [egg.number for egg in simulated_review.now.state.eggs if egg.outlines] == [highest + 1]


def test_ranges_marked_unusable_are_united_and_can_be_cut(simulated_review: SimulatedReview) -> None:
    simulated_review.submit(MarkUnusable(clip="left-1.mp4", first=10, last=40))
    simulated_review.submit(MarkUnusable(clip="left-1.mp4", first=30, last=60))
    simulated_review.submit(MarkUsable(clip="left-1.mp4", first=20, last=25))
    frames = {
        frame for first, last in simulated_review.now.state.unusable["left-1.mp4"] for frame in range(first, last + 1)
    }
    assert frames == {*range(10, 20), *range(26, 61)}
