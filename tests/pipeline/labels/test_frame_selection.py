"""What is ignored on labelled frames: nothing that may be an egg becomes background."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from models.ellipse import overlap
from pipeline.labels.frame_selection import SIGHTING_MARGIN_FRAMES, LabelledFrame, labelled_frames
from pipeline.people.answers import AddEgg, ConfirmEgg, RejectEgg
from pipeline.scan.clip_scan import ClipScan
from tests.pipeline.review.simulated_cases import SimulatedReview, simulated_case

FAR, FAINT = [5.0, 5.0, 4.0, 3.0, 0.0], [5.0, 50.0, 4.0, 3.0, 0.0]  # px, away from all eggs


@pytest.fixture
def simulated_review(tmp_path: Path) -> SimulatedReview:
    return SimulatedReview(tmp_path, simulated_case())


def confirm_all(simulated_review: SimulatedReview) -> None:
    simulated_review.submit(
        ConfirmEgg(kind="egg", eggs=[egg.segments for egg in simulated_review.now.state.eggs if egg.is_shown])
    )


def with_detections(scan: ClipScan, frame: int, *ellipses: list[float], faint: list[float]) -> ClipScan:
    """The clip with detections on one frame only, the last of them with a low score."""
    ellipses = (*ellipses, faint)
    number = len(ellipses)
    return replace(
        scan,
        frame=np.full(number, frame),
        ellipse=np.array(ellipses),
        stage_probability=np.tile([0.7, 0.2, 0.1], (number, 1)),
        score=np.array([*[0.6] * (number - 1), 0.4]),
    )


def labelled(simulated_review: SimulatedReview, scan: ClipScan | None = None) -> dict[int, LabelledFrame]:
    return labelled_frames(simulated_review.now, scan or simulated_review.case.scans[0])


def test_an_egg_is_ignored_on_frames_where_it_was_not_tracked(simulated_review: SimulatedReview) -> None:
    confirm_all(simulated_review)
    frames, scan = labelled(simulated_review), simulated_review.case.scans[0]
    tracks = {track.identity: track for track in scan.tracks.tracks}
    tracks_of = {
        egg.number: [tracks[segment.track] for segment in egg.segments if segment.clip == scan.file]
        for egg in simulated_review.now.state.eggs
    }
    number, track = next((number, own[0]) for number, own in tracks_of.items() if len(own) == 1)
    cases_seen = set()
    for frame, labels in frames.items():
        gaps = np.abs(track.frames - frame)
        nearest = track.ellipses[gaps.argmin()]
        assert (number in {egg.number for egg in labels.eggs}) == (gaps.min() == 0)
        is_ignored = any(np.allclose(one.ellipse, nearest) for one in labels.ignored)
        assert is_ignored == (0 < gaps.min() <= SIGHTING_MARGIN_FRAMES), frame
        cases_seen.add((gaps.min() == 0, is_ignored))
    assert cases_seen == {(True, False), (False, True), (False, False)}


def test_detections_without_answer_are_ignored_and_rejected_ones_are_background(
    simulated_review: SimulatedReview,
) -> None:
    rejected = next(egg for egg in simulated_review.now.state.eggs if egg.is_shown)
    scan = next(scan for scan in simulated_review.case.scans if scan.file == rejected.segments[0].clip)
    confirm_all(simulated_review)
    simulated_review.submit(RejectEgg(kind="not-egg", eggs=[rejected.segments]))
    track = next(track for track in scan.tracks.tracks if track.identity == rejected.segments[0].track)
    frame, gut = int(track.frames[0]), track.ellipses[0].tolist()
    confirmed = [list(egg.ellipse) for egg in labelled(simulated_review, scan)[frame].eggs]
    found = labelled(simulated_review, with_detections(scan, frame, FAR, gut, *confirmed, faint=FAINT))[frame]
    assert rejected.number not in {egg.number for egg in found.eggs}
    assert [one for one in found.ignored if list(one.ellipse) == FAR and one.stage == 0]
    assert overlap([one.ellipse for one in found.ignored], [gut]).max() < 0.5
    assert not [one for one in found.ignored if list(one.ellipse) == FAINT]
    # The detections of the confirmed eggs are not ignored as well: they are the outlines that have answers.
    before = labelled(simulated_review, scan)[frame]
    assert len(found.ignored) == len(before.ignored) + 1


def test_of_two_drawn_eggs_each_is_ignored_where_the_other_was_drawn(simulated_review: SimulatedReview) -> None:
    confirm_all(simulated_review)
    file = simulated_review.case.scans[0].file
    places = {60: (100.0, 400.0, 20.0, 14.0, 0.0), 70: (500.0, 400.0, 20.0, 14.0, 0.0)}
    for frame, ellipse in places.items():
        simulated_review.submit(AddEgg(kind="drawn", clip=file, frame=frame, ellipse=ellipse, stage="calcified"))
    frames = labelled(simulated_review)
    assert {frame for frame in frames if 35 <= frame <= 95} == {60, 70}
    for frame, other in ((60, 70), (70, 60)):
        assert places[frame] in [egg.ellipse for egg in frames[frame].eggs]
        assert places[other] in [one.ellipse for one in frames[frame].ignored]
