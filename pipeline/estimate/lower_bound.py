"""The lower bound of a count: how many objects were certainly seen together in one frame."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Collection, Sequence

import numpy as np
from numpy.typing import NDArray

from models.ellipse import contains, overlap
from pipeline.settings import Settings
from pipeline.settings_tables import EstimateSettings, TrackSettings
from pipeline.track.track_evidence import stage_probabilities, upper_score
from pipeline.track.tracks import ClipTracks, Track

__all__ = ["count_lower_bound"]

Floats = NDArray[np.float64]


def count_lower_bound(
    clips: Sequence[ClipTracks], *, shelled: bool, sure_tracks: Collection[tuple[str, int]], settings: Settings
) -> int:
    """The most shelled eggs, or follicles, that several frames of one clip show next to each other.

    A track counts only if it is long, sure and surely of that kind, and only in frames where its own score is high; of
    outlines that overlap, only the one with the best score counts. Several frames must show that many, so that one odd
    frame cannot set the bound. Nothing is added up over frames, clips or windows.

    sure_tracks : file and identity of the tracks whose objects are almost certainly real, given the whole exam
    """
    return max((_bound_of_clip(clip, shelled, sure_tracks, settings) for clip in clips), default=0)


def _bound_of_clip(
    clip: ClipTracks, shelled: bool, sure_tracks: Collection[tuple[str, int]], settings: Settings
) -> int:
    rules = settings.estimate
    by_frame: dict[int, list[tuple[float, Floats]]] = defaultdict(list)  # scores and ellipses
    for track in clip.tracks:
        if (clip.file, track.identity) in sure_tracks and _is_sure(track, clip.frames, shelled, rules, settings.track):
            for row in np.flatnonzero(track.scores >= rules.lower_bound_score).tolist():
                by_frame[int(track.frames[row])].append((float(track.scores[row]), track.ellipses[row]))
    needed = max(min(rules.lower_bound_frames, clip.frames), 1)
    highest = [0] * needed
    # Frames with most objects first: once none can raise the bound, the remaining ones need no geometry.
    for _, objects in sorted(by_frame.items(), key=lambda entry: (-len(entry[1]), entry[0])):
        if len(objects) <= highest[-1]:
            break
        highest = sorted([*highest, _separate_count(objects, rules.lower_bound_iou)], reverse=True)[:needed]
    return highest[-1]


def _is_sure(track: Track, clip_frames: int, shelled: bool, rules: EstimateSettings, tracking: TrackSettings) -> bool:
    if len(track.frames) < min(rules.lower_bound_sightings, clip_frames):
        return False
    if shelled and upper_score(track) < rules.lower_bound_best_score:
        return False
    follicle = float(stage_probabilities([track], tracking)[0])
    return (1 - follicle if shelled else follicle) >= rules.lower_bound_kind_probability


def _separate_count(objects: Sequence[tuple[float, Floats]], max_overlap: float) -> int:
    """How many outlines are left if each, best score first, is dropped where it meets one that was kept.

    Two outlines meet where they overlap by more than ``max_overlap`` (intersection over union), or where one contains
    the centre of the other.
    """
    order = sorted(range(len(objects)), key=lambda row: -objects[row][0])
    ellipses = np.stack([objects[row][1] for row in order])
    holds_centre = contains(ellipses, ellipses[:, :2])
    meets = (overlap(ellipses, ellipses) > max_overlap) | holds_centre | holds_centre.T
    kept: list[int] = []
    for row in range(len(order)):
        if not meets[row, kept].any():
            kept.append(row)
    return len(kept)
