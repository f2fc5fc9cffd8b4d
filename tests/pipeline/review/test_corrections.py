"""What follows from answers: the batch's own counts and intervals, from what a person made certain."""

from __future__ import annotations

from pathlib import Path

import pytest

from pipeline.review.answers import Confirmed, Drawn, NotAnEgg, SameEgg, Staged, TwoEggs, Undo, Unusable
from tests.pipeline.review.simulated import Sitting, case_of, simulated_case

CASE = simulated_case()
FOUND = CASE.summary.finding
SHELLED = [egg for egg in CASE.census.eggs if egg.listed and egg.stage != "follicle"]


@pytest.fixture
def sitting(tmp_path: Path) -> Sitting:
    return Sitting(tmp_path, CASE)


def all_eggs(sitting: Sitting) -> tuple[tuple[object, ...], ...]:
    return tuple(egg.pieces for egg in sitting.now.state.eggs)


@pytest.mark.parametrize("seed", range(6))
def test_without_answers_the_finding_is_the_batch_s_own(tmp_path: Path, seed: int) -> None:
    case = simulated_case(seed)
    assert Sitting(tmp_path, case).now.finding == case.summary.finding


def test_the_simulated_animal_leaves_something_open() -> None:
    assert len(SHELLED) >= 5
    assert FOUND.shelled.at_least < FOUND.shelled.estimate
    assert any(len(egg.pieces) > 1 for egg in SHELLED)


def test_confirmed_eggs_are_the_least_there_can_be(sitting: Sitting) -> None:
    for number, egg in enumerate(SHELLED, 1):
        sitting.say(Confirmed(eggs=(egg.pieces,)))
        count = sitting.now.finding.shelled
        assert count.at_least >= number
    assert count.at_least == count.estimate == count.interval90[0] == len(SHELLED)
    assert count.interval90[1] >= count.estimate  # she may carry what no sweep crossed
    width = FOUND.shelled.interval90[1] - FOUND.shelled.interval90[0]
    assert count.interval90[1] - count.interval90[0] < width
    assert sitting.now.finding.confidence > FOUND.confidence


def test_what_is_no_egg_is_not_counted(sitting: Sitting) -> None:
    sitting.say(Confirmed(eggs=tuple(egg.pieces for egg in SHELLED)))
    sitting.say(NotAnEgg(eggs=(SHELLED[0].pieces,)))
    finding = sitting.now.finding
    assert finding.shelled.estimate == len(SHELLED) - 1
    assert SHELLED[0].number not in {egg.identity for egg in finding.eggs}
    assert {egg.number for egg in SHELLED[1:]} <= {egg.identity for egg in finding.eggs}  # numbers stay
    sitting.say(NotAnEgg(eggs=all_eggs(sitting)))
    nothing = sitting.now.finding
    assert (nothing.shelled.estimate, nothing.follicles.estimate, nothing.stage) == (0, 0, "none seen")


def test_the_same_egg_twice_counts_once_and_two_in_one_count_twice(sitting: Sitting) -> None:
    sitting.say(Confirmed(eggs=tuple(egg.pieces for egg in SHELLED)))
    sitting.say(SameEgg(eggs=(SHELLED[0].pieces, SHELLED[1].pieces)))
    joined = sitting.now.finding
    assert joined.shelled.estimate == joined.shelled.at_least == len(SHELLED) - 1
    (egg,) = [egg for egg in joined.eggs if egg.identity == SHELLED[0].number]
    assert len(egg.sightings) == len(SHELLED[0].pieces) + len(SHELLED[1].pieces)
    sitting.say(Undo())
    double = next(egg for egg in SHELLED if len(egg.pieces) > 1)
    sitting.say(TwoEggs(egg=double.pieces, apart=double.pieces[1:]))
    assert sitting.now.finding.shelled.estimate == len(SHELLED) + 1


def test_one_track_is_cut_between_two_eggs(tmp_path: Path) -> None:
    sitting = Sitting(tmp_path, case_of(CASE.scans[0].tracks))
    shelled = [egg for egg in sitting.case.census.eggs if egg.listed and egg.stage != "follicle"]
    sitting.say(Confirmed(eggs=tuple(egg.pieces for egg in shelled)))
    longest = max(shelled, key=lambda egg: egg.pieces[0].last - egg.pieces[0].first)
    (piece,) = longest.pieces
    middle = (piece.first + piece.last) // 2
    sitting.say(TwoEggs(egg=(piece,), apart=(piece.model_copy(update={"first": middle}),)))
    finding = sitting.now.finding
    assert finding.shelled.at_least == len(shelled) + 1
    spans = {egg.identity: [(s.first_frame, s.last_frame) for s in egg.sightings] for egg in finding.eggs}
    assert spans[longest.number] == [(piece.first, middle - 1)]
    assert spans[max(spans)] == [(middle, piece.last)]


def test_a_missed_egg_that_is_drawn_counts(sitting: Sitting) -> None:
    sitting.say(Confirmed(eggs=tuple(egg.pieces for egg in SHELLED)))
    ellipse = (310.0, 50.0, 30.0, 20.0, 0.0)
    sitting.say(Drawn(clip="left-1.mp4", frame=4, ellipse=ellipse, stage="thin-shelled"))
    finding = sitting.now.finding
    assert finding.shelled.estimate >= finding.shelled.at_least == len(SHELLED) + 1
    drawn = finding.eggs[-1]
    assert (drawn.stage, drawn.stage_probability, drawn.confidence) == ("thin-shelled", 1.0, 1.0)
    assert drawn.length_mm is not None
    assert drawn.depth_mm is not None
    assert 0 < drawn.depth_mm < 50


def test_another_stage_moves_an_egg_to_the_other_count(sitting: Sitting) -> None:
    every = tuple(egg.pieces for egg in CASE.census.eggs if egg.listed)
    sitting.say(Staged(eggs=every, stage="follicle"))
    finding = sitting.now.finding
    assert (finding.shelled.estimate, finding.stage) == (0, "follicle")
    assert len(finding.eggs) >= len(every)  # beside so many a doubtful one may be believed
    assert finding.follicles.estimate >= len(every)  # sweeps overlook some
    assert finding.stage_probability > 0.99
    sitting.say(Staged(eggs=every[:1], stage="calcified"))
    assert sitting.now.finding.stage == "mixed"


def test_frames_that_are_unusable_are_dropped(sitting: Sitting) -> None:
    scan = CASE.scans[0]
    sitting.say(Unusable(clip=scan.file, first=0, last=scan.frames - 1))
    finding = sitting.now.finding
    assert all(s.clip != scan.file for egg in finding.eggs for s in egg.sightings)
    assert "one-window-only" in {flag.code for flag in finding.flags}
    sitting.say(Undo())
    egg = SHELLED[0]
    piece = egg.pieces[0]
    middle = (piece.first + piece.last) // 2
    sitting.say(Unusable(clip=piece.clip, first=0, last=middle))
    (cut,) = [one for one in sitting.now.finding.eggs if one.identity == egg.number]
    assert min(s.first_frame for s in cut.sightings if s.clip == piece.clip) > middle


def test_a_confirmed_egg_stays_where_all_its_frames_are_unusable(sitting: Sitting) -> None:
    sitting.say(Confirmed(eggs=(SHELLED[0].pieces,)))
    for clip in {piece.clip for piece in SHELLED[0].pieces}:
        sitting.say(Unusable(clip=clip, first=0, last=149))
    assert SHELLED[0].number in {egg.identity for egg in sitting.now.finding.eggs}


def test_what_joining_leaves_open_is_only_about_eggs_nobody_spoke_of(sitting: Sitting) -> None:
    before = CASE.grouping.shifts[1]
    assert before.lowest < -1
    assert before.numbers[-1] > 0
    rest = list(SHELLED)
    while rest:
        sitting.say(Confirmed(eggs=(rest.pop().pieces,)))
        shift = CASE.facts(sitting.now.state).grouping.shifts[1]
        assert shift.lowest >= -len(rest)
        assert shift.numbers[-1] <= sum(len(egg.pieces) - 1 for egg in rest)
        assert shift.probabilities.sum() == pytest.approx(1.0)
    assert (shift.lowest, len(shift.probabilities)) == (0, 1)


def test_an_egg_drawn_on_both_sides_lies_where_it_was_drawn_on_each(sitting: Sitting) -> None:
    places = {"left-1.mp4": (300.0, 200.0, 30.0, 20.0, 10.0), "right-1.mp4": (120.0, 260.0, 24.0, 18.0, -40.0)}
    before = sitting.now.state.eggs
    for clip, ellipse in places.items():
        sitting.say(Drawn(clip=clip, frame=4, ellipse=ellipse, stage="calcified"))
    one, other = (egg for egg in sitting.now.state.eggs if egg.outlines)
    sitting.say(SameEgg(eggs=(one.pieces, other.pieces)))
    assert len(sitting.now.state.eggs) == len(before) + 1
    facts = sitting.case.facts(sitting.now.state)
    drawn = {clip.file: [track for track in clip.tracks if track.frames.tolist() == [4]] for clip in facts.clips}
    assert {file: tuple(track.ellipses[0]) for file, (track,) in drawn.items()} == places
