"""Which pass of the probe found which egg, and which other passes could have found it.

A sweep there and back is two passes over the same ground: the eggs of one pass that the other one missed show how many
both may have missed, as two clips would.

Whether a pass finds an egg that it crosses depends on the egg's size and depth, as fitted on phantoms, and on the exam:
one exam is easier or harder than another by delta log-odds, the same for all its eggs,

    logit p_ij = log-odds on phantoms + delta.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.special import expit

from pipeline.calibration_tables import DetectionRate
from pipeline.settings import Settings
from pipeline.track.merging.merge import Egg
from pipeline.track.merging.observed_object import largest_section
from pipeline.track.merging.passes import Pass
from pipeline.track.merging.same_egg_likelihood import visibility_probability
from pipeline.track.tracks import ClipTracks, Track

__all__ = ["EncounterHistory", "detection_log_odds", "encounter_history"]

Floats = NDArray[np.float64]

_MAX_LOG_ODDS = 30.0  # beyond, 1 - p is lost to rounding
_CROSSED_SHARE = 0.7  # of an egg's positions that a pass must cover to have crossed it (common practice, no source)
_MINIMUM_SIGHTINGS = 3  # in a pass that found an egg, likewise


@dataclass(frozen=True)
class EncounterHistory:
    """What P passes found of N eggs, each found by at least one of them.

    detected : (N, P) bool
    crossing_probability : (N, P) probability that the pass crossed the egg, 1 where it found it
    log_odds : (N, P) of being found when crossed, as on phantoms
    """

    detected: NDArray[np.bool_]
    crossing_probability: Floats
    log_odds: Floats

    def log_likelihood(self, delta: float) -> float:
        """Of what was found, given that each of these eggs was found at all. delta : of the exam, log-odds"""
        probability = self._pass_probabilities(delta)
        encountered = np.log(np.where(self.detected, probability, 1 - probability)).sum()
        return float(encountered - np.log(self.detection_probabilities(delta)).sum())

    def detection_probabilities(self, delta: float) -> Floats:
        """(N,) probability of being found by any pass."""
        return np.asarray(1 - np.prod(1 - self._pass_probabilities(delta), axis=1))

    def _pass_probabilities(self, delta: float) -> Floats:
        """(N, P) probability of being crossed and found."""
        log_odds = np.clip(self.log_odds + delta, -_MAX_LOG_ODDS, _MAX_LOG_ODDS)
        return np.asarray(self.crossing_probability * expit(log_odds))


def detection_log_odds(sizes: Sequence[float | None], depths: Sequence[float | None], rates: DetectionRate) -> Floats:
    """(N,) log-odds of being found for eggs of these sizes and depths, relative to the imaging depth.

    None, where the imaging depth is unknown, counts as average.
    """
    size = np.array([0.0 if value is None else np.log(value) - rates.reference_log_size for value in sizes])
    depth = np.array([0.0 if value is None else value - rates.reference_depth for value in depths])
    return np.asarray(rates.intercept + rates.size_slope * size + rates.depth_slope * depth)


@dataclass(frozen=True)
class _Position:
    """Where and how large a clip shows an egg, or would show it. size, depth : in px of that clip"""

    clip: ClipTracks
    size: float
    depth: float

    @classmethod
    def of(cls, clip: ClipTracks, track: Track) -> _Position:
        return cls(clip, largest_section(track), float(track.depths_px[track.best_row]))


def encounter_history(
    eggs: Sequence[Egg],
    passes: Sequence[Pass],
    clips: Sequence[ClipTracks],
    carapace_width_mm: float | None,
    rates: DetectionRate,
    settings: Settings,
) -> EncounterHistory:
    """What each of the ``passes`` found of the eggs.

    clips : the usable ones; passes over other clips are ignored;  carapace_width_mm : None if unknown
    """
    by_file = {clip.file: clip for clip in clips}
    passes = [each for each in passes if each.file in by_file]
    track_of = {(clip.file, track.identity): track for clip in clips for track in clip.tracks}
    detected = np.zeros((len(eggs), len(passes)), dtype=bool)
    crossing, log_odds = np.ones(detected.shape), np.zeros(detected.shape)
    for row, egg in enumerate(eggs):
        tracks = [(member.file, track_of[member.file, member.track]) for member in egg.members]
        positions: Mapping[str, _Position] = {file: _Position.of(by_file[file], track) for file, track in tracks}
        known = list(positions.values())
        sightings = [_sightings(one, [track for file, track in tracks if file == one.file]) for one in passes]
        for column, one_pass in enumerate(passes):
            clip = by_file[one_pass.file]
            tracks_of_clip = [track for file, track in tracks if file == one_pass.file]
            position = positions.get(one_pass.file) or _expected_position(clip, known, carapace_width_mm, settings)
            most = max(number for number, other in zip(sightings, passes, strict=True) if other.file == one_pass.file)
            detected[row, column] = 0 < sightings[column] >= min(_MINIMUM_SIGHTINGS, most)
            if not detected[row, column]:
                if tracks_of_clip:
                    probability = _return_probability(one_pass, clip, tracks_of_clip, settings)
                elif column and passes[column - 1].file == one_pass.file:
                    # A sweep may never have reached what it missed, so its way back is no independent look.
                    probability = 0.0
                else:
                    probability = _crossing_probability(clip, known, position, settings)
                crossing[row, column] = probability
            log_odds[row, column] = detection_log_odds(*_relative_size_and_depth(position, clip), rates)[0]
    return EncounterHistory(detected, crossing, log_odds)


def _sightings(one_pass: Pass, tracks: Sequence[Track]) -> int:
    return sum(one_pass.contains_frame(frame) for track in tracks for frame in track.frames.tolist())


def _return_probability(one_pass: Pass, clip: ClipTracks, tracks: Sequence[Track], settings: Settings) -> float:
    """Probability that a pass crossed an egg of its clip that only other passes found."""
    if not clip.courses:
        return 0.0
    positions = np.concatenate([clip.courses[0].position(track.frames) for track in tracks])
    share = one_pass.covered_share(float(positions.min()), float(positions.max()))
    return settings.estimate.same_window_crossed_share if share > _CROSSED_SHARE else 0.0


def _expected_position(
    clip: ClipTracks, known: Sequence[_Position], carapace_width_mm: float | None, settings: Settings
) -> _Position | None:
    """Where the clip would show an egg that other clips show, None if that cannot be predicted."""
    for position in known:
        if (
            clip.mm_per_px is None
            or position.clip.mm_per_px is None
            or clip.window is None
            or position.clip.window is None
        ):
            continue
        scale = position.clip.mm_per_px / clip.mm_per_px
        if clip.window == position.clip.window:
            return _Position(clip, position.size * scale, position.depth * scale)
        if carapace_width_mm is not None:
            body_width_px = settings.track.body_width_share * carapace_width_mm / clip.mm_per_px
            return _Position(clip, position.size * scale, body_width_px - position.depth * scale)
    return None


def _crossing_probability(
    clip: ClipTracks, known: Sequence[_Position], expected: _Position | None, settings: Settings
) -> float:
    """Probability that a clip crossed an egg that only other clips show."""
    if clip.window is not None and any(position.clip.window == clip.window for position in known):
        return settings.estimate.same_window_crossed_share
    if expected is None or clip.imaging_depth_px is None:
        return settings.track.other_window_reseen_share
    return float(
        visibility_probability(np.array([expected.depth]), np.array([expected.size]), clip.imaging_depth_px)[0]
    )


def _relative_size_and_depth(
    position: _Position | None, clip: ClipTracks
) -> tuple[list[float | None], list[float | None]]:
    if position is None or clip.imaging_depth_px is None:
        return [None], [None]
    return [position.size / clip.imaging_depth_px], [min(max(position.depth / clip.imaging_depth_px, 0.0), 1.0)]
