"""Which frames of a signed exam can be learned from, and what is said of each: eggs, background, and what stays open.

A frame is taken if it was used, nobody marked it as unusable, and somebody has spoken of every egg in view that the
page asks about. An egg that a person drew is outlined on one frame only, so the frames near that one, where it shows
without an outline, are left out unless something was drawn on them, too. What was said not to be an egg has no
outline: it is background.

Nobody spoke of everything that may be an egg: not of an egg in the frames between and beside its sightings, where it
comes into view and goes, and was not followed; and not of what the network took for one and nobody was asked about.
Those outlines are kept apart as open: neither right nor wrong to find. Fainter detections are background: whoever signs
says that no egg was left out, and a network in a strange place has to unlearn them.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from models.ellipse import overlap
from pipeline.estimate.stages import STAGES
from pipeline.review.answer_service import ExamReview
from pipeline.review.answers import TrackSegment
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

Row = tuple[float, ...]

# Judgement, no source, all of them.
DRAWN_MARGIN_FRAMES = 25  # a second of sweep; an egg seldom shows for longer on either side
SIGHTING_MARGIN_FRAMES = (
    12  # half a second: so long an egg may show, smaller and fainter, before and after it was followed
)
MINIMUM_IGNORED_SCORE = 0.5  # of a detection that is more often an egg than not, on phantoms
SAME_OBJECT_IOU = 0.5  # from which on an outline is another one of what was answered for


@dataclass(frozen=True)
class LabelledEgg:
    """An egg on one frame. ellipse : (5,) px;  stage : 0 follicle, 1 thin-shelled, 2 calcified

    number : of the egg in its exam;  answered_by : who spoke last of it
    """

    number: int
    ellipse: Row
    stage: int
    answered_by: str


@dataclass(frozen=True)
class IgnoredOutline:
    """Something on one frame that may be an egg. ellipse : (5,) px;  stage : as it looks to the program, 0 to 2"""

    ellipse: Row
    stage: int


@dataclass(frozen=True)
class LabelledFrame:
    """eggs : by number, possibly none;  ignored : what nobody answered for. Everything else is background."""

    eggs: tuple[LabelledEgg, ...]
    ignored: tuple[IgnoredOutline, ...]


def labelled_frames(reviewed: ExamReview, scan: ClipScan) -> dict[int, LabelledFrame]:
    """The frames of one clip that can be learned from, in order."""
    stages = {egg.identity: STAGES.index(egg.stage) for egg in reviewed.finding.eggs}
    seen = [(egg, sightings) for egg in reviewed.state.eggs if (sightings := outlines_by_frame(egg, scan))]
    taken = sorted(_taken(reviewed, scan, seen))
    eggs: dict[int, list[LabelledEgg]] = {frame: [] for frame in taken}
    answered: dict[int, list[Row]] = {frame: [] for frame in taken}
    open_: dict[int, list[IgnoredOutline]] = {frame: [] for frame in taken}
    for egg, sightings in seen:
        is_egg = egg.verdict == "egg" and egg.number in stages
        for frame in answered.keys() & sightings.keys():
            if is_egg:
                eggs[frame].append(LabelledEgg(egg.number, sightings[frame], stages[egg.number], egg.answered_by or ""))
            if is_egg or egg.verdict == "not-egg":
                answered[frame].append(sightings[frame])
        if egg.is_shown and egg.verdict != "not-egg":
            for frame, ellipse in _beside(
                sightings, DRAWN_MARGIN_FRAMES if _drawn(egg, scan) else SIGHTING_MARGIN_FRAMES
            ):
                if frame in open_:
                    open_[frame].append(IgnoredOutline(ellipse, stages.get(egg.number, STAGES.index("calcified"))))
    return {
        frame: LabelledFrame(
            tuple(sorted(eggs[frame], key=lambda egg: egg.number)),
            (*open_[frame], *_unspoken(scan, frame, answered[frame])),
        )
        for frame in taken
    }


def _taken(reviewed: ExamReview, scan: ClipScan, seen: Sequence[tuple[ReviewedEgg, Mapping[int, Row]]]) -> set[int]:
    taken = set(scan.used_frames.tolist())
    for first, last in reviewed.state.unusable.get(scan.file, ()):
        taken -= set(range(first, last + 1))
    drawn = {frame for egg, _ in seen for frame in _drawn(egg, scan)}
    for frame in drawn:
        taken -= set(range(frame - DRAWN_MARGIN_FRAMES, frame + DRAWN_MARGIN_FRAMES + 1)) - drawn
    for egg, sightings in seen:
        if egg.verdict is None and egg.is_shown:
            taken -= sightings.keys()
    return taken


def _drawn(egg: ReviewedEgg, scan: ClipScan) -> list[int]:
    """The frames of this clip on which a person drew it."""
    return [segment.first for segment in egg.segments if segment.track < 0 and segment.clip == scan.file]


def _unspoken(scan: ClipScan, frame: int, answered: Sequence[Row]) -> Iterator[IgnoredOutline]:
    """The sure detections of a frame that are none of the outlines that somebody answered for."""
    rows = np.flatnonzero((scan.frame == frame) & (scan.score >= MINIMUM_IGNORED_SCORE))
    known = overlap(scan.ellipse[rows], np.array(answered).reshape(-1, 5)).max(axis=1, initial=0.0)
    for row in rows[known < SAME_OBJECT_IOU]:
        yield IgnoredOutline(tuple(scan.ellipse[row].tolist()), int(scan.stage_probability[row].argmax()))


def _beside(sightings: Mapping[int, Row], reach: int) -> Iterator[tuple[int, Row]]:
    """The frames near those on which an egg was seen, and between them, with the outline it had nearest by."""
    for frame in range(min(sightings) - reach, max(sightings) + reach + 1):
        nearest = min(sightings, key=lambda at: abs(at - frame))
        if 0 < abs(nearest - frame) <= reach:
            yield frame, sightings[nearest]


def outlines_by_frame(egg: ReviewedEgg, scan: ClipScan) -> dict[int, Row]:
    """The frames of a clip on which an egg was followed or drawn, with its outline, (5,) px."""
    return {frame: ellipse for segment in egg.segments for frame, ellipse in _of_segment(egg, segment, scan)}


def _of_segment(egg: ReviewedEgg, segment: TrackSegment, scan: ClipScan) -> Iterator[tuple[int, Row]]:
    if segment.clip != scan.file:
        return
    if segment.track < 0:
        yield segment.first, egg.outlines[segment.track]
        return
    track = next(track for track in scan.tracks.tracks if track.identity == segment.track)
    for frame, ellipse in zip(track.frames.tolist(), track.ellipses.tolist(), strict=True):
        if segment.first <= frame <= segment.last:
            yield frame, tuple(ellipse)
