"""How many objects were surely seen together in one frame: the count that no later doubt can lower."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Collection, Sequence

import numpy as np
from numpy.typing import NDArray

from models.ellipse import contains, overlap
from pipeline.settings import EstimateSettings, Settings, TrackSettings
from pipeline.track.track_evidence import stage_probabilities, upper_score
from pipeline.track.tracks import ClipTracks, Track

__all__ = ["count_lower_bound"]

Floats = NDArray[np.float64]


def count_lower_bound(
    clips: Sequence[ClipTracks], *, shelled: bool, sure_tracks: Collection[tuple[str, int]], settings: Settings
) -> int:
    """The most shelled eggs, or follicles, that some frames of one clip show beside each other.

    Only sure, lasting tracks of a sure kind count, with a sure score in the very frame, and of outlines that
    overlap only the surest. Several frames must show as many, so that one odd picture bounds nothing. Nothing
    is added up over frames, clips or windows.

    sure_tracks : file and identity of the tracks whose objects are surely there by all that the exam shows
    """
    return max((_in_clip(clip, shelled, sure_tracks, settings) for clip in clips), default=0)


def _in_clip(clip: ClipTracks, shelled: bool, sure_tracks: Collection[tuple[str, int]], settings: Settings) -> int:
    rules = settings.estimate
    by_frame: dict[int, list[tuple[float, Floats]]] = defaultdict(list)
    for track in clip.tracks:
        if (clip.file, track.identity) in sure_tracks and _is_sure(track, clip.frames, shelled, rules, settings.track):
            for row in np.flatnonzero(track.scores >= rules.lower_bound_score).tolist():
                by_frame[int(track.frames[row])].append((float(track.scores[row]), track.ellipses[row]))
    needed = max(min(rules.lower_bound_frames, clip.frames), 1)
    numbers = [0] * needed
    # The frame with most objects first; once none can better the bound, the rest need no geometry.
    for _, seen in sorted(by_frame.items(), key=lambda entry: (-len(entry[1]), entry[0])):
        if len(seen) <= numbers[-1]:
            break
        numbers = sorted([*numbers, _apart(seen, rules.lower_bound_iou)], reverse=True)[:needed]
    return numbers[-1]


def _is_sure(track: Track, clip_frames: int, shelled: bool, rules: EstimateSettings, tracking: TrackSettings) -> bool:
    if len(track.frames) < min(rules.lower_bound_sightings, clip_frames):
        return False
    if shelled and upper_score(track) < rules.lower_bound_best_score:
        return False
    follicle = float(stage_probabilities([track], tracking)[0])
    return (1 - follicle if shelled else follicle) >= rules.lower_bound_kind_probability


def _apart(seen: Sequence[tuple[float, Floats]], most_overlap: float) -> int:
    # Surest first, each kept unless its outline meets one that was kept or either holds the other's centre.
    order = sorted(range(len(seen)), key=lambda row: -seen[row][0])
    ellipses = np.stack([seen[row][1] for row in order])
    holds = contains(ellipses, ellipses[:, :2])
    meets = (overlap(ellipses, ellipses) > most_overlap) | holds | holds.T
    kept: list[int] = []
    for row in range(len(order)):
        if not meets[row, kept].any():
            kept.append(row)
    return len(kept)
