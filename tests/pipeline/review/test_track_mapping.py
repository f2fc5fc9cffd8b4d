"""Answers after another network has scanned the same recordings: they stay with their eggs, or become questions."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np

from pipeline.people.answers import (
    AddEgg,
    ConfirmEgg,
    MarkUnusable,
    MergeEggs,
    RejectEgg,
    ResolveQuestion,
    SetStage,
    SplitEgg,
    TrackSegment,
)
from pipeline.review.cases import ReviewCase
from pipeline.track.tracks import ClipTracks, Track
from tests.pipeline.review.simulated_cases import SimulatedReview, case_of, renumbered, simulated_case

CASE = simulated_case()
CLIPS = [scan.tracks for scan in CASE.scans]
SHELLED = [egg for egg in CASE.snapshot.eggs if egg.counted_by_batch and egg.stage != "follicle"]


def tracks_of_another_network(clip: ClipTracks, seed: int) -> ClipTracks:
    """Other tracks of the same eggs: other identities, noise on the outlines, long tracks in two parts."""
    rng = np.random.default_rng(seed)
    tracks: list[Track] = []
    for track in clip.tracks:
        noisy = track.ellipses + rng.normal(0, 1.0, track.ellipses.shape) * [1.5, 1.5, 1, 0, 4]
        whole = replace(track, ellipses=np.maximum(noisy, [-1e9, -1e9, 3, 3, -90]))
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


def case_without(segments: tuple[TrackSegment, ...], clips: list[ClipTracks]) -> ReviewCase:
    """The case of a result in which the tracks of these segments were not found."""
    missing = {(segment.clip, segment.track) for segment in segments}
    found = [
        replace(clip, tracks=tuple(t for t in clip.tracks if (clip.file, t.identity) not in missing)) for clip in clips
    ]
    return case_of(*(renumbered(clip, 40) for clip in found))


def test_verdicts_and_stages_stay_with_their_eggs(tmp_path: Path) -> None:
    simulated_review = SimulatedReview(tmp_path, CASE)
    no, thin, yes = SHELLED[0], SHELLED[1], SHELLED[2]
    simulated_review.submit(RejectEgg(eggs=(no.segments,)))
    simulated_review.submit(SetStage(eggs=(thin.segments,), stage="thin-shelled"))
    simulated_review.submit(ConfirmEgg(eggs=(yes.segments,)))
    simulated_review.submit(MarkUnusable(clip="left-1.mp4", first=0, last=2))
    for seed in range(3):
        later = simulated_review.with_case(case_of(*(tracks_of_another_network(clip, seed) for clip in CLIPS)))
        state = later.now.state
        assert state.questions == ()
        assert state.unusable == {"left-1.mp4": ((0, 2),)}
        for egg, verdict, stage in ((no, "not-egg", None), (thin, "egg", "thin-shelled"), (yes, "egg", None)):
            now = [
                one
                for one in state.eggs
                if one.verdict == verdict and one.stage == stage and same_place(later.case, one.segments, egg.segments)
            ]
            assert len(now) == 1, f"seed {seed}: egg {egg.number}"
        assert sum(egg.verdict is not None for egg in state.eggs) == 3


def same_place(case: ReviewCase, now: tuple[TrackSegment, ...], then: tuple[TrackSegment, ...]) -> bool:
    """Whether the new segments lie where the old ones did, by their centres in shared frames, not by overlap."""
    new_tracks = {(s.file, t.identity): t for s in case.scans for t in s.tracks.tracks}
    old_tracks = {(s.file, t.identity): t for s in CASE.scans for t in s.tracks.tracks}
    distances = []
    for a in now:
        for b in then:
            if a.clip == b.clip:
                new, old = new_tracks[a.clip, a.track], old_tracks[b.clip, b.track]
                _, rows, columns = np.intersect1d(new.frames, old.frames, return_indices=True)
                distances += np.hypot(*(new.ellipses[rows, :2] - old.ellipses[columns, :2]).T).tolist()
    return bool(distances) and float(np.median(distances)) < 8


def test_eggs_that_were_merged_and_split_stay_so(tmp_path: Path) -> None:
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


def test_an_answer_whose_egg_is_missing_becomes_a_question_until_it_is_resolved(tmp_path: Path) -> None:
    simulated_review = SimulatedReview(tmp_path, CASE)
    simulated_review.submit(ConfirmEgg(eggs=(SHELLED[0].segments, SHELLED[1].segments)))
    later = simulated_review.with_case(case_without(SHELLED[0].segments, CLIPS))
    assert [event.sequence for event in later.now.state.questions] == [1]
    assert sum(egg.verdict == "egg" for egg in later.now.state.eggs) == 1  # the other one is still confirmed
    later.submit(ResolveQuestion(of=1))
    assert later.now.state.questions == ()
    back = later.with_case(CASE)
    assert sum(egg.verdict == "egg" for egg in back.now.state.eggs) == 2


def test_a_drawn_egg_that_another_network_finds_becomes_that_egg(tmp_path: Path) -> None:
    egg = SHELLED[0]
    segment = egg.segments[0]
    track = next(t for t in CLIPS[0].tracks if t.identity == segment.track and CLIPS[0].file == segment.clip)
    row = len(track.frames) // 2
    cx, cy, a, b, _ = track.ellipses[row].tolist()
    simulated_review = SimulatedReview(tmp_path, case_without(egg.segments, CLIPS))
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


def test_a_renamed_clip_keeps_its_answers(tmp_path: Path) -> None:
    simulated_review = SimulatedReview(tmp_path, CASE)
    simulated_review.submit(ConfirmEgg(eggs=(SHELLED[0].segments,)))
    renamed = case_of(*(replace(clip, file=f"renamed-{clip.file}") for clip in CLIPS))
    sha256_of = {scan.file: scan.sha256 for scan in CASE.scans}
    scans = tuple(replace(scan, sha256=sha256_of[scan.file.removeprefix("renamed-")]) for scan in renamed.scans)
    state = simulated_review.with_case(replace(renamed, scans=scans)).now.state
    assert [egg.verdict for egg in state.eggs].count("egg") == 1
    assert state.questions == ()
