"""The simulated reviewer: confirms true eggs, rejects false ones, outlines missed ones, and signs."""

from __future__ import annotations

from collections import defaultdict
from pathlib import Path

from models.ellipse import overlap
from pipeline.adaptation_trial.simulated_reviewer import TrueEgg, review_exam
from pipeline.labels.frame_selection import labelled_frames, outlines_by_frame
from tests.pipeline.review.simulated_cases import SimulatedReview, simulated_case

CASE = simulated_case()
LISTED = [egg for egg in CASE.snapshot.eggs if egg.counted_by_batch]
FALSE_EGG, TRUE_FOLLICLE = LISTED[0], LISTED[1]
MISSED, STAGE = (80.0, 400.0, 20.0, 12.0, 30.0), 1
MISSED_FRAMES = range(100, 110)


def truth() -> dict[str, dict[int, list[TrueEgg]]]:
    """All eggs that the batch lists but the first, the second as a follicle; and one egg that no track covers."""
    made: dict[str, dict[int, list[TrueEgg]]] = defaultdict(lambda: defaultdict(list))
    tracks = {(scan.file, track.identity): track for scan in CASE.scans for track in scan.tracks.tracks}
    for egg in CASE.snapshot.eggs:
        if egg is FALSE_EGG:
            continue
        stage = 0 if egg is TRUE_FOLLICLE else 2
        for segment in egg.segments:
            track = tracks[segment.clip, segment.track]
            for frame, row in zip(track.frames.tolist(), track.ellipses.tolist(), strict=True):
                made[segment.clip][frame].append(TrueEgg(egg.number, tuple(row), stage, True))
    for frame in MISSED_FRAMES:
        made[CASE.scans[0].file][frame].append(TrueEgg(99, MISSED, STAGE, frame % 2 == 0))
    return made


def test_reviewer_answers_by_the_truth_outlines_missed_eggs_and_signs(tmp_path: Path) -> None:
    simulated_review = SimulatedReview(tmp_path, CASE)
    review_exam(simulated_review.answer_service, CASE, truth())
    state, first = simulated_review.now.state, CASE.scans[0]
    by_number = {egg.number: egg for egg in state.eggs}
    assert by_number[FALSE_EGG.number].verdict == "not-egg"
    assert by_number[TRUE_FOLLICLE.number].stage == "follicle"
    assert {egg.verdict for egg in state.eggs if egg.is_shown and egg.number != FALSE_EGG.number} == {"egg"}
    outlined = [egg for egg in state.eggs if egg.outlines]
    assert [list(egg.outlines.values()) for egg in outlined] == [[MISSED]]
    assert outlined[0].stage == "thin-shelled"
    assert outlined[0].segments[0].first in MISSED_FRAMES
    assert outlined[0].segments[0].first % 2 == 0  # where it is clearly visible
    assert state.signature is not None
    # The labels made from these answers are true.
    for frame, labelled in labelled_frames(simulated_review.now, first).items():
        true_ellipses = [egg.ellipse for egg in truth()[first.file].get(frame, [])]
        for egg in labelled.eggs:
            assert overlap([egg.ellipse], true_ellipses).max() > 0.9


def test_egg_listed_twice_is_merged(tmp_path: Path) -> None:
    made = truth()
    one, other = LISTED[2].number, LISTED[3].number
    for clip in made.values():
        for frame, eggs in clip.items():
            clip[frame] = [
                TrueEgg(one if e.number == other else e.number, e.ellipse, e.stage, e.is_clearly_visible) for e in eggs
            ]
    simulated_review = SimulatedReview(tmp_path, CASE)
    review_exam(simulated_review.answer_service, CASE, made)
    numbers = {egg.number for egg in simulated_review.now.state.eggs}
    assert one in numbers
    assert other not in numbers
    joined = next(egg for egg in simulated_review.now.state.eggs if egg.number == one)
    frames = [frame for scan in CASE.scans for frame in outlines_by_frame(joined, scan)]
    assert len(joined.segments) == len(LISTED[2].segments) + len(LISTED[3].segments)
    assert frames
