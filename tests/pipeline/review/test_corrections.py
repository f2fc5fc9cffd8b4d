"""Counts and intervals that follow from answers."""

from __future__ import annotations

from pathlib import Path

import pytest

from pipeline.people.answers import (
    AddEgg,
    ConfirmEgg,
    MarkUnusable,
    MergeEggs,
    RejectEgg,
    ReshapeEgg,
    SetStage,
    SplitEgg,
    Undo,
)
from tests.pipeline.review.simulated_cases import SimulatedReview, case_of, simulated_case

CASE = simulated_case()
FOUND = CASE.summary.finding
SHELLED = [egg for egg in CASE.snapshot.eggs if egg.counted_by_batch and egg.stage != "follicle"]


@pytest.fixture
def simulated_review(tmp_path: Path) -> SimulatedReview:
    return SimulatedReview(tmp_path, CASE)


def all_eggs(simulated_review: SimulatedReview) -> tuple[tuple[object, ...], ...]:
    return tuple(egg.segments for egg in simulated_review.now.state.eggs)


@pytest.mark.parametrize("seed", range(6))
def test_without_answers_the_finding_is_the_batch_s_own(tmp_path: Path, seed: int) -> None:
    case = simulated_case(seed)
    assert SimulatedReview(tmp_path, case).now.finding == case.summary.finding


def test_the_simulated_animal_is_uncertain_enough_for_these_tests() -> None:
    assert len(SHELLED) >= 5
    assert FOUND.shelled.at_least < FOUND.shelled.estimate
    assert any(len(egg.segments) > 1 for egg in SHELLED)


def test_confirmed_eggs_are_the_lower_bound(simulated_review: SimulatedReview) -> None:
    for number, egg in enumerate(SHELLED, 1):
        simulated_review.submit(ConfirmEgg(eggs=(egg.segments,)))
        count = simulated_review.now.finding.shelled
        assert count.at_least >= number
    assert count.at_least == count.estimate == count.interval90[0] == len(SHELLED)
    assert count.interval90[1] >= count.estimate  # no sweep may have crossed some of her eggs
    width = FOUND.shelled.interval90[1] - FOUND.shelled.interval90[0]
    assert count.interval90[1] - count.interval90[0] < width
    assert simulated_review.now.finding.confidence > FOUND.confidence


def test_rejected_eggs_are_not_counted(simulated_review: SimulatedReview) -> None:
    simulated_review.submit(ConfirmEgg(eggs=tuple(egg.segments for egg in SHELLED)))
    simulated_review.submit(RejectEgg(eggs=(SHELLED[0].segments,)))
    finding = simulated_review.now.finding
    assert finding.shelled.estimate == len(SHELLED) - 1
    assert SHELLED[0].number not in {egg.identity for egg in finding.eggs}
    assert {egg.number for egg in SHELLED[1:]} <= {egg.identity for egg in finding.eggs}  # numbers stay
    simulated_review.submit(RejectEgg(eggs=all_eggs(simulated_review)))
    nothing = simulated_review.now.finding
    assert (nothing.shelled.estimate, nothing.follicles.estimate, nothing.stage) == (0, 0, "none seen")


def test_merged_eggs_count_once_and_split_eggs_twice(simulated_review: SimulatedReview) -> None:
    simulated_review.submit(ConfirmEgg(eggs=tuple(egg.segments for egg in SHELLED)))
    simulated_review.submit(MergeEggs(eggs=(SHELLED[0].segments, SHELLED[1].segments)))
    merged = simulated_review.now.finding
    assert merged.shelled.estimate == merged.shelled.at_least == len(SHELLED) - 1
    (egg,) = [egg for egg in merged.eggs if egg.identity == SHELLED[0].number]
    assert len(egg.sightings) == len(SHELLED[0].segments) + len(SHELLED[1].segments)
    simulated_review.submit(Undo())
    double = next(egg for egg in SHELLED if len(egg.segments) > 1)
    simulated_review.submit(SplitEgg(egg=double.segments, apart=double.segments[1:]))
    assert simulated_review.now.finding.shelled.estimate == len(SHELLED) + 1


def test_one_track_is_split_into_two_eggs(tmp_path: Path) -> None:
    simulated_review = SimulatedReview(tmp_path, case_of(CASE.scans[0].tracks))
    shelled = [egg for egg in simulated_review.case.snapshot.eggs if egg.counted_by_batch and egg.stage != "follicle"]
    simulated_review.submit(ConfirmEgg(eggs=tuple(egg.segments for egg in shelled)))
    longest = max(shelled, key=lambda egg: egg.segments[0].last - egg.segments[0].first)
    (segment,) = longest.segments
    middle = (segment.first + segment.last) // 2
    simulated_review.submit(SplitEgg(egg=(segment,), apart=(segment.model_copy(update={"first": middle}),)))
    finding = simulated_review.now.finding
    assert finding.shelled.at_least == len(shelled) + 1
    spans = {egg.identity: [(s.first_frame, s.last_frame) for s in egg.sightings] for egg in finding.eggs}
    assert spans[longest.number] == [(segment.first, middle - 1)]
    assert spans[max(spans)] == [(middle, segment.last)]


def test_a_drawn_egg_is_counted(simulated_review: SimulatedReview) -> None:
    simulated_review.submit(ConfirmEgg(eggs=tuple(egg.segments for egg in SHELLED)))
    ellipse = (310.0, 50.0, 30.0, 20.0, 0.0)
    simulated_review.submit(AddEgg(clip="left-1.mp4", frame=4, ellipse=ellipse, stage="thin-shelled"))
    finding = simulated_review.now.finding
    assert finding.shelled.estimate >= finding.shelled.at_least == len(SHELLED) + 1
    drawn = finding.eggs[-1]
    assert (drawn.stage, drawn.stage_probability, drawn.confidence) == ("thin-shelled", 1.0, 1.0)
    assert drawn.length_mm is not None
    assert drawn.depth_mm is not None
    assert 0 < drawn.depth_mm < 50


def test_a_reshaped_outline_replaces_the_tracks_own_on_its_frame(simulated_review: SimulatedReview) -> None:
    segment = SHELLED[0].segments[0]
    ellipse = (310.0, 210.0, 44.0, 33.0, 20.0)
    simulated_review.submit(
        ReshapeEgg(egg=SHELLED[0].segments, clip=segment.clip, frame=segment.first, ellipse=ellipse)
    )
    corrected = CASE.corrected_inputs(simulated_review.now.state)
    (clip,) = (clip for clip in corrected.clips if clip.file == segment.clip)
    before = next(clip for clip in CASE.scans if clip.file == segment.clip).tracks.tracks
    changed = [
        (int(new.frames[row]), tuple(new.ellipses[row]))
        for new in clip.tracks
        for old in before
        if old.identity == new.identity
        for row in range(len(new.frames))
        if tuple(new.ellipses[row]) != tuple(old.ellipses[row])
    ]
    assert changed == [(segment.first, ellipse)]


def test_restaging_moves_an_egg_to_the_other_count(simulated_review: SimulatedReview) -> None:
    every = tuple(egg.segments for egg in CASE.snapshot.eggs if egg.counted_by_batch)
    simulated_review.submit(SetStage(eggs=every, stage="follicle"))
    finding = simulated_review.now.finding
    assert (finding.shelled.estimate, finding.stage) == (0, "follicle")
    assert len(finding.eggs) >= len(every)  # with so many confirmed, an uncertain one may be counted too
    assert finding.follicles.estimate >= len(every)  # sweeps miss some
    assert finding.stage_probability > 0.9
    simulated_review.submit(SetStage(eggs=every[:1], stage="calcified"))
    assert simulated_review.now.finding.stage == "mixed"


def test_unusable_frames_are_dropped(simulated_review: SimulatedReview) -> None:
    scan = CASE.scans[0]
    simulated_review.submit(MarkUnusable(clip=scan.file, first=0, last=scan.frames - 1))
    finding = simulated_review.now.finding
    assert all(s.clip != scan.file for egg in finding.eggs for s in egg.sightings)
    assert "one-window-only" in {flag.code for flag in finding.flags}
    simulated_review.submit(Undo())
    egg = SHELLED[0]
    segment = egg.segments[0]
    middle = (segment.first + segment.last) // 2
    simulated_review.submit(MarkUnusable(clip=segment.clip, first=0, last=middle))
    (cut,) = [one for one in simulated_review.now.finding.eggs if one.identity == egg.number]
    assert min(s.first_frame for s in cut.sightings if s.clip == segment.clip) > middle


def test_a_confirmed_egg_stays_if_all_its_frames_are_unusable(simulated_review: SimulatedReview) -> None:
    simulated_review.submit(ConfirmEgg(eggs=(SHELLED[0].segments,)))
    for clip in {segment.clip for segment in SHELLED[0].segments}:
        simulated_review.submit(MarkUnusable(clip=clip, first=0, last=149))
    assert SHELLED[0].number in {egg.identity for egg in simulated_review.now.finding.eggs}


def test_the_uncertainty_of_merging_concerns_only_eggs_without_answer(simulated_review: SimulatedReview) -> None:
    before = CASE.grouping.count_corrections.shelled
    assert before.lowest < -1
    assert before.numbers[-1] > 0
    rest = list(SHELLED)
    while rest:
        simulated_review.submit(ConfirmEgg(eggs=(rest.pop().segments,)))
        correction = CASE.corrected_inputs(simulated_review.now.state).grouping.count_corrections.shelled
        assert correction.lowest >= -len(rest)
        assert correction.numbers[-1] <= sum(len(egg.segments) - 1 for egg in rest)
        assert correction.probabilities.sum() == pytest.approx(1.0)
    assert (correction.lowest, len(correction.probabilities)) == (0, 1)


def test_an_egg_drawn_in_two_clips_has_the_drawn_outline_in_each(simulated_review: SimulatedReview) -> None:
    places = {"left-1.mp4": (300.0, 200.0, 30.0, 20.0, 10.0), "right-1.mp4": (120.0, 260.0, 24.0, 18.0, -40.0)}
    before = simulated_review.now.state.eggs
    for clip, ellipse in places.items():
        simulated_review.submit(AddEgg(clip=clip, frame=4, ellipse=ellipse, stage="calcified"))
    one, other = (egg for egg in simulated_review.now.state.eggs if egg.outlines)
    simulated_review.submit(MergeEggs(eggs=(one.segments, other.segments)))
    assert len(simulated_review.now.state.eggs) == len(before) + 1
    corrected = simulated_review.case.corrected_inputs(simulated_review.now.state)
    drawn = {clip.file: [track for track in clip.tracks if track.frames.tolist() == [4]] for clip in corrected.clips}
    assert {file: tuple(track.ellipses[0]) for file, (track,) in drawn.items()} == places
