"""Which pass of the hand met which egg, and which might have met it.

A sweep there and back is two passes over the same ground: what each missed of the other's eggs tells of those that
both missed, as two clips would.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from pipeline.calibration_file import DetectionRate
from pipeline.estimate.missed_eggs import EncounterHistory, detection_log_odds
from pipeline.settings import Settings
from pipeline.track.merging.merge import Egg
from pipeline.track.merging.observed_object import largest_section
from pipeline.track.merging.passes import Pass
from pipeline.track.merging.same_egg_likelihood import visibility_probability
from pipeline.track.tracks import ClipTracks, Track

__all__ = ["encounter_history"]


@dataclass(frozen=True)
class _Place:
    """Where one track shows its egg. size, depth : px;  clip : of it"""

    clip: ClipTracks
    size: float
    depth: float

    @classmethod
    def of(cls, clip: ClipTracks, track: Track) -> _Place:
        return cls(clip, largest_section(track), float(track.depths_px[track.best_row]))


def encounter_history(
    eggs: Sequence[Egg],
    passes: Sequence[Pass],
    clips: Sequence[ClipTracks],
    carapace_width_mm: float | None,
    rates: DetectionRate,
    settings: Settings,
) -> EncounterHistory:
    """What each of the ``passes`` over the ``clips`` met of the eggs; those over clips that were marked as unusable are
    no witnesses. carapace_width_mm : None if unknown
    """
    by_file = {clip.file: clip for clip in clips}
    passes = [one for one in passes if one.file in by_file]
    by_name = {(clip.file, track.identity): track for clip in clips for track in clip.tracks}
    found = np.zeros((len(eggs), len(passes)), dtype=bool)
    crossed, log_odds = np.ones(found.shape), np.zeros(found.shape)
    for row, egg in enumerate(eggs):
        met = [(member.file, by_name[member.file, member.track]) for member in egg.members]
        places: Mapping[str, _Place] = {file: _Place.of(by_file[file], track) for file, track in met}
        for column, one in enumerate(passes):
            clip = by_file[one.file]
            tracks = [track for file, track in met if file == one.file]
            place = places.get(one.file) or _expected(clip, list(places.values()), carapace_width_mm, settings)
            found[row, column] = any(one.contains_frame(_middle(track)) for track in tracks)
            if not found[row, column]:
                if tracks:
                    chance = _chance_of_return(one, passes, tracks, settings)
                elif column and passes[column - 1].file == one.file:
                    # What a sweep missed it may never have reached: its way back is no further witness.
                    chance = 0.0
                else:
                    chance = _chance_of_crossing(clip, list(places.values()), place, settings)
                crossed[row, column] = chance
            size, depth = _shares(place, clip)
            log_odds[row, column] = detection_log_odds([size], [depth], rates)[0]
    return EncounterHistory(found, crossed, log_odds)


def _middle(track: Track) -> float:
    return float(track.frames.mean())


def _chance_of_return(one: Pass, passes: Sequence[Pass], tracks: Sequence[Track], settings: Settings) -> float:
    """That a pass crossed what only others of the same clip met. What is in view while the hand turns is met once."""
    for track in tracks:
        half = (int(track.frames[-1]) - int(track.frames[0])) / 2
        other = next((each for each in passes if each.file == one.file and each.contains_frame(_middle(track))), None)
        if other is not None and one.covers(other.position_at(_middle(track)), half):
            return settings.estimate.same_window_crossed_share
    return 0.0


def _expected(
    clip: ClipTracks, places: Sequence[_Place], carapace_width_mm: float | None, settings: Settings
) -> _Place | None:
    """Where the clip would show an egg that others show, in px of the clip, None where it cannot be told."""
    for place in places:
        if clip.mm_per_px is None or place.clip.mm_per_px is None or None in (clip.window, place.clip.window):
            continue
        scale = place.clip.mm_per_px / clip.mm_per_px
        if clip.window == place.clip.window:
            return _Place(clip, place.size * scale, place.depth * scale)
        if carapace_width_mm is not None:
            distance = settings.track.body_width_share * carapace_width_mm / clip.mm_per_px
            return _Place(clip, place.size * scale, distance - place.depth * scale)
    return None


def _chance_of_crossing(
    clip: ClipTracks, places: Sequence[_Place], expected: _Place | None, settings: Settings
) -> float:
    if clip.window is not None and any(place.clip.window == clip.window for place in places):
        return settings.estimate.same_window_crossed_share
    if expected is None or clip.imaging_depth_px is None:
        return settings.track.other_window_reseen_share
    return float(
        visibility_probability(np.array([expected.depth]), np.array([expected.size]), clip.imaging_depth_px)[0]
    )


def _shares(place: _Place | None, clip: ClipTracks) -> tuple[float | None, float | None]:
    if place is None or clip.imaging_depth_px is None:
        return None, None
    return place.size / clip.imaging_depth_px, min(max(place.depth / clip.imaging_depth_px, 0.0), 1.0)
