"""Which frames of a signed exam become labels, and what each shows: eggs, background, and ignored outlines.

A frame is selected if the batch used it, nobody marked it as unusable, and every egg in view that the page asks about
has an answer. An egg that a user drew is outlined on one frame only, so the frames near that one, where it is visible
without an outline, are left out unless something was drawn on them too. Rejected objects have no outline: they are
background.

Not everything that may be an egg has an answer. An egg has none in the frames between and near its sightings, where it
comes into view and leaves but was not tracked. Detections that the page did not ask about have none either. These
outlines are ignored: detecting them is neither right nor wrong. Fainter detections are background: a signature states
that no egg was missed, and a network used at a new centre must unlearn them.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from models.ellipse import overlap
from models.stages import STAGES
from pipeline.people.answers import TrackSegment
from pipeline.review.exam_review import ExamReview
from pipeline.review.replay import ReviewedEgg
from pipeline.scan.clip_scan import ClipScan

__all__ = [
    "DRAWN_MARGIN_FRAMES",
    "IgnoredOutline",
    "LabelledEgg",
    "LabelledFrame",
    "labelled_frames",
    "outlines_by_frame",
]

Ellipse = tuple[float, ...]

# Judgement, no source, all of them.
DRAWN_MARGIN_FRAMES = 25  # one second of sweep; an egg is seldom visible for longer on either side
SIGHTING_MARGIN_FRAMES = 12  # half a second: an egg may be visible, smaller and fainter, before and after its track
MINIMUM_IGNORED_SCORE = 0.5  # detections above it are eggs more often than not, on phantoms
MINIMUM_ANSWERED_IOU = 0.5  # a detection that overlaps an answered outline this much shows the same object


@dataclass(frozen=True)
class LabelledEgg:
    """An egg on one frame. ellipse : (5,) px;  stage : 0 follicle, 1 thin-shelled, 2 calcified

    number : of the egg in its exam;  answered_by : the user who answered last
    """

    number: int
    ellipse: Ellipse
    stage: int
    answered_by: str


@dataclass(frozen=True)
class IgnoredOutline:
    """Something on one frame that may be an egg. ellipse : (5,) px;  stage : the program's, 0 to 2"""

    ellipse: Ellipse
    stage: int


@dataclass(frozen=True)
class LabelledFrame:
    """eggs : by number, possibly none;  ignored : without an answer. Everything else is background."""

    eggs: tuple[LabelledEgg, ...]
    ignored: tuple[IgnoredOutline, ...]


def labelled_frames(reviewed: ExamReview, scan: ClipScan) -> dict[int, LabelledFrame]:
    """The selected frames of one clip, in order."""
    stages = {egg.identity: STAGES.index(egg.stage) for egg in reviewed.finding.eggs}
    seen = [(egg, sightings) for egg in reviewed.state.eggs if (sightings := outlines_by_frame(egg, scan))]
    selected = sorted(_selected_frames(reviewed, scan, seen))
    eggs: dict[int, list[LabelledEgg]] = {frame: [] for frame in selected}
    answered: dict[int, list[Ellipse]] = {frame: [] for frame in selected}
    ignored: dict[int, list[IgnoredOutline]] = {frame: [] for frame in selected}
    for egg, sightings in seen:
        is_egg = egg.verdict == "egg" and egg.number in stages
        for frame in answered.keys() & sightings.keys():
            if is_egg:
                eggs[frame].append(LabelledEgg(egg.number, sightings[frame], stages[egg.number], egg.answered_by or ""))
            if is_egg or egg.verdict == "not-egg":
                answered[frame].append(sightings[frame])
        if egg.is_shown and egg.verdict != "not-egg":
            margin = DRAWN_MARGIN_FRAMES if _drawn_frames(egg, scan) else SIGHTING_MARGIN_FRAMES
            for frame, ellipse in _near_sightings(sightings, margin):
                if frame in ignored:
                    ignored[frame].append(IgnoredOutline(ellipse, stages.get(egg.number, STAGES.index("calcified"))))
    return {
        frame: LabelledFrame(
            tuple(sorted(eggs[frame], key=lambda egg: egg.number)),
            (*ignored[frame], *_unanswered_detections(scan, frame, answered[frame])),
        )
        for frame in selected
    }


def _selected_frames(
    reviewed: ExamReview, scan: ClipScan, seen: Sequence[tuple[ReviewedEgg, Mapping[int, Ellipse]]]
) -> set[int]:
    """seen : the eggs of the clip, each with its outlines by frame"""
    selected = set(scan.used_frames.tolist())
    for first, last in reviewed.state.unusable.get(scan.file, ()):
        selected -= set(range(first, last + 1))
    drawn = {frame for egg, _ in seen for frame in _drawn_frames(egg, scan)}
    for frame in drawn:
        selected -= set(range(frame - DRAWN_MARGIN_FRAMES, frame + DRAWN_MARGIN_FRAMES + 1)) - drawn
    for egg, sightings in seen:
        if not egg.is_settled and egg.is_shown:
            selected -= sightings.keys()
    return selected


def _drawn_frames(egg: ReviewedEgg, scan: ClipScan) -> list[int]:
    """The frames of this clip on which a user drew the egg."""
    return [segment.first for segment in egg.segments if segment.track < 0 and segment.clip == scan.file]


def _unanswered_detections(scan: ClipScan, frame: int, answered: Sequence[Ellipse]) -> Iterator[IgnoredOutline]:
    """The detections of a frame with a high score that show no object with an answer."""
    rows = np.flatnonzero((scan.frame == frame) & (scan.score >= MINIMUM_IGNORED_SCORE))
    ious = overlap(scan.ellipse[rows], np.array(answered).reshape(-1, 5)).max(axis=1, initial=0.0)
    for row in rows[ious < MINIMUM_ANSWERED_IOU]:
        yield IgnoredOutline(tuple(scan.ellipse[row].tolist()), int(scan.stage_probability[row].argmax()))


def _near_sightings(sightings: Mapping[int, Ellipse], margin_frames: int) -> Iterator[tuple[int, Ellipse]]:
    """The frames between and near those on which an egg was seen, each with the outline of the nearest sighting."""
    for frame in range(min(sightings) - margin_frames, max(sightings) + margin_frames + 1):
        nearest = min(sightings, key=lambda at: abs(at - frame))
        if 0 < abs(nearest - frame) <= margin_frames:
            yield frame, sightings[nearest]


def outlines_by_frame(egg: ReviewedEgg, scan: ClipScan) -> dict[int, Ellipse]:
    """The frames of a clip on which an egg was tracked or drawn, with its outline, (5,) px."""
    return {
        frame: egg.reshaped.get((scan.file, frame), ellipse)
        for segment in egg.segments
        for frame, ellipse in _segment_outlines(egg, segment, scan)
    }


def _segment_outlines(egg: ReviewedEgg, segment: TrackSegment, scan: ClipScan) -> Iterator[tuple[int, Ellipse]]:
    if segment.clip != scan.file:
        return
    if segment.track < 0:
        yield segment.first, egg.outlines[segment.track]
        return
    track = next(track for track in scan.tracks.tracks if track.identity == segment.track)
    for frame, ellipse in zip(track.frames.tolist(), track.ellipses.tolist(), strict=True):
        if segment.first <= frame <= segment.last:
            yield frame, tuple(ellipse)
