"""The clips that can be shown, and where in them an egg is seen best."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from pipeline.report.sightings import sorted_scans
from pipeline.review.replay import ReviewedEgg
from pipeline.scan.clip_scan import ClipScan
from pipeline.track.tracks import view_quality

__all__ = ["BestView", "best_view", "usable_clips"]


@dataclass(frozen=True)
class BestView:
    """clip_index : place of the clip in `usable_clips`;  frame : from 0;  ellipse : (5,) px of the frame"""

    clip_index: int
    frame: int
    ellipse: tuple[float, float, float, float, float]


def usable_clips(scans: Sequence[ClipScan]) -> list[ClipScan]:
    """The clips that can be shown, in the page's order."""
    return [scan for scan in sorted_scans(scans) if scan.status == "done"]


def best_view(egg: ReviewedEgg, clips: Sequence[ClipScan]) -> BestView | None:
    """Where an egg is seen best, None if no clip shows it. clips : as `usable_clips` returns them

    An outline that a user drew or reshaped is the best view, the last of several. Otherwise the best view of each
    segment is compared by the detection's score.
    """
    index_of = {scan.file: index for index, scan in enumerate(clips)}
    best: BestView | None = None
    best_score = -1.0
    for (clip, frame), outline in reversed(list(egg.reshaped.items())):
        if clip in index_of:
            return BestView(index_of[clip], frame, outline)
    for segment in egg.segments:
        index = index_of.get(segment.clip)
        if index is None:
            continue
        if segment.track < 0:
            return BestView(index, segment.first, egg.outlines[segment.track])
        track = next(track for track in clips[index].tracks.tracks if track.identity == segment.track)
        inside = (track.frames >= segment.first) & (track.frames <= segment.last)
        row = int(np.where(inside, view_quality(track.ellipses, track.scores), -1.0).argmax())
        if track.scores[row] > best_score:
            best_score = float(track.scores[row])
            cx, cy, major, minor, degrees = track.ellipses[row].tolist()
            best = BestView(index, int(track.frames[row]), (cx, cy, major, minor, degrees))
    return best
