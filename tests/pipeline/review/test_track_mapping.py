"""Answers after another network has looked at the same recordings: they go with their eggs, or become questions."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np

from pipeline.review.answers import (
    AddEgg,
    ConfirmEgg,
    MarkUnusable,
    MergeEggs,
    RejectEgg,
    ResolveQuestion,
    SetStage,
    SplitEgg,
)
from pipeline.review.cases import ReviewCase
from pipeline.track.tracks import ClipTracks, Track
from tests.pipeline.review.simulated_cases import SimulatedReview, case_of, renumbered, simulated_case

CASE = simulated_case()
CLIPS = [scan.tracks for scan in CASE.scans]
SHELLED = [egg for egg in CASE.snapshot.eggs if egg.counted_by_batch and egg.stage != "follicle"]


def seen_otherwise(clip: ClipTracks, seed: int) -> ClipTracks:
    """As another network would follow the same eggs: other numbers, shaken outlines, long tracks in two parts."""
    rng = np.random.default_rng(seed)
    tracks: list[Track] = []
    for track in clip.tracks:
        shaken = track.ellipses + rng.normal(0, 1.0, track.ellipses.shape) * [1.5, 1.5, 1, 0, 4]
        whole = replace(track, ellipses=np.maximum(shaken, [-1e9, -1e9, 3, 3, -90]))
        halves = [np.arange(len(track.frames))]
        if len(track.frames) > 30:
            halves = [halves[0][: len(track.frames) // 2], halves[0][len(track.frames) // 2 :]]
        tracks += [
            Track(
                0,
                whole.frames[rows],
                whole.ellipses[rows],
                whole.depths_px[rows],
                whole.stage_probabilities[rows],
                whole.scores[rows],
            )
            for rows in halves
        ]
    order = rng.permutation(len(tracks))
    return replace(clip, tracks=tuple(replace(tracks[k], identity=n) for n, k in enumerate(order, 1)))


def without(egg_pieces: tuple[object, ...], clips: list[ClipTracks]) -> ReviewCase:
    gone = {(segment.clip, segment.track) for segment in egg_pieces}  # type: ignore[attr-defined]
    left = [
        replace(clip, tracks=tuple(t for t in clip.tracks if (clip.file, t.identity) not in gone)) for clip in clips
    ]
    return case_of(*(renumbered(clip, 40) for clip in left))


def test_verdicts_and_stages_go_with_their_eggs(tmp_path: Path) -> None:
    simulated_review = SimulatedReview(tmp_path, CASE)
    no, thin, yes = SHELLED[0], SHELLED[1], SHELLED[2]
    simulated_review.submit(RejectEgg(eggs=(no.segments,)))
    simulated_review.submit(SetStage(eggs=(thin.segments,), stage="thin-shelled"))
    simulated_review.submit(ConfirmEgg(eggs=(yes.segments,)))
    simulated_review.submit(MarkUnusable(clip="left-1.mp4", first=0, last=2))
    for seed in range(3):
        later = simulated_review.with_case(case_of(*(seen_otherwise(clip, seed) for clip in CLIPS)))
        state = later.now.state
        assert state.questions == ()
        assert state.unusable == {"left-1.mp4": ((0, 2),)}
        for egg, verdict, stage in ((no, "not-egg", None), (thin, "egg", "thin-shelled"), (yes, "egg", None)):
            now = [
                one
                for one in state.eggs
                if one.verdict == verdict and one.stage == stage and _together(later.case, one.segments, egg.segments)
            ]
            assert len(now) == 1, f"seed {seed}: egg {egg.number}"
        assert sum(egg.verdict is not None for egg in state.eggs) == 3


def _together(case: ReviewCase, now: tuple[object, ...], then: tuple[object, ...]) -> bool:
    """Whether the new segments lie where the old ones did, judged by centres in shared frames, not by overlap."""
    tracks = {(s.file, t.identity): t for c in (case,) for s in c.scans for t in s.tracks.tracks}
    old = {(s.file, t.identity): t for s in CASE.scans for t in s.tracks.tracks}
    steps = []
    for a in now:
        for b in then:
            if a.clip == b.clip:  # type: ignore[attr-defined]
                new, before = tracks[a.clip, a.track], old[b.clip, b.track]  # type: ignore[attr-defined]
                _, rows, columns = np.intersect1d(new.frames, before.frames, return_indices=True)
                steps += np.hypot(*(new.ellipses[rows, :2] - before.ellipses[columns, :2]).T).tolist()
    return bool(steps) and float(np.median(steps)) < 8


def test_eggs_that_were_joined_and_parted_are_so_again(tmp_path: Path) -> None:
    simulated_review = SimulatedReview(tmp_path, CASE)
    double = next(egg for egg in SHELLED if len(egg.segments) > 1)
    others = [egg for egg in SHELLED if egg.number != double.number]
    simulated_review.submit(SplitEgg(egg=double.segments, apart=double.segments[1:]))
    simulated_review.submit(MergeEggs(eggs=(others[0].segments, others[1].segments)))
    before = len(simulated_review.now.state.eggs)
    later = simulated_review.with_case(case_of(*(renumbered(clip, 40) for clip in CLIPS)))
    state = later.now.state
    assert state.questions == ()
    assert len(state.eggs) == before
    numbers = {frozenset((p.clip, p.track - 40) for p in egg.segments) for egg in state.eggs}
    assert frozenset((p.clip, p.track) for p in double.segments[1:]) in numbers
    assert frozenset((p.clip, p.track) for p in (*others[0].segments, *others[1].segments)) in numbers


def test_an_answer_whose_egg_is_gone_becomes_a_question_until_it_is_settled(tmp_path: Path) -> None:
    simulated_review = SimulatedReview(tmp_path, CASE)
    simulated_review.submit(ConfirmEgg(eggs=(SHELLED[0].segments, SHELLED[1].segments)))
    later = simulated_review.with_case(without(SHELLED[0].segments, CLIPS))
    assert [event.sequence for event in later.now.state.questions] == [1]
    assert sum(egg.verdict == "egg" for egg in later.now.state.eggs) == 1  # the other one is confirmed all the same
    later.submit(ResolveQuestion(of=1))
    assert later.now.state.questions == ()
    back = later.with_case(CASE)
    assert sum(egg.verdict == "egg" for egg in back.now.state.eggs) == 2


def test_a_drawn_egg_that_is_found_since_is_that_egg(tmp_path: Path) -> None:
    egg = SHELLED[0]
    segment = egg.segments[0]
    track = next(t for t in CLIPS[0].tracks if t.identity == segment.track and CLIPS[0].file == segment.clip)
    row = len(track.frames) // 2
    cx, cy, a, b, _ = track.ellipses[row].tolist()
    blind = without(egg.segments, CLIPS)
    simulated_review = SimulatedReview(tmp_path, blind)
    ellipse = (cx + 1.0, cy - 1.0, a, b, 0.0)
    event = simulated_review.submit(
        AddEgg(clip=segment.clip, frame=int(track.frames[row]), ellipse=ellipse, stage="thin-shelled")
    )
    drawn = next(one for one in simulated_review.now.state.eggs if one.outlines)
    simulated_review.submit(RejectEgg(eggs=(drawn.segments,)))
    simulated_review.submit(SetStage(eggs=(drawn.segments,), stage="calcified"))
    assert event.sequence == 1
    later = simulated_review.with_case(CASE)
    state = later.now.state
    assert not any(one.outlines for one in state.eggs)
    found = next(one for one in state.eggs if one.number == egg.number)
    assert (found.verdict, found.stage) == ("egg", "calcified")
    assert later.now.state.questions == ()


def test_a_clip_that_was_renamed_keeps_its_answers(tmp_path: Path) -> None:
    simulated_review = SimulatedReview(tmp_path, CASE)
    simulated_review.submit(ConfirmEgg(eggs=(SHELLED[0].segments,)))
    moved = case_of(*(replace(clip, file=f"moved-{clip.file}") for clip in CLIPS))
    known = {scan.file: scan.sha256 for scan in CASE.scans}
    scans = tuple(replace(scan, sha256=known[scan.file.removeprefix("moved-")]) for scan in moved.scans)
    state = simulated_review.with_case(replace(moved, scans=scans)).now.state
    assert [egg.verdict for egg in state.eggs].count("egg") == 1
    assert state.questions == ()
