"""What distinguishes the track of an egg or a follicle from that of gut, a vessel or a patch of tissue.

While the plane passes a ball, its section grows and shrinks, stays at its place and keeps its shape. The section of a
tube slides and does not end; a patch changes its shape from frame to frame. A follicle is a ball brighter than what
lies around it and without a wall; a shelled egg has a wall, and its inside is mostly darker.

A feature is larger, the more it speaks for an object of the kind in question, so that no weight is ever negative. All
of them are bounded: a picture unlike any phantom counts no more than the most extreme phantom.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.special import logit

from pipeline.detect.shell_signs import ShellSigns
from pipeline.settings_tables import TrackSettings
from pipeline.track.merging.observed_object import largest_section, section_sizes
from pipeline.track.probe_course import ProbeCourse, straight_course
from pipeline.track.track_evidence import stage_probabilities, upper_score
from pipeline.track.tracks import ClipTracks, Track

__all__ = ["FEATURE_NAMES", "track_features"]

Floats = NDArray[np.float64]

FEATURE_NAMES = (
    "score",
    "upper_score",
    "kind",
    "size_similarity",
    "rise_and_fall",
    "steady_place",
    "steady_shape",
    "inside",
    "wall",
    "step",
)
"""The order of a track's features; each has a weight of its name in `pipeline.calibration_file.LikelihoodWeights`."""


@dataclass(frozen=True)
class _FeatureLimits:
    """How features are scaled and bounded; common practice, no source, unless stated.

    min_probability : scores and probabilities closer to 0 and 1 carry no more information
    log_size_sd : of the largest observed sections of eggs of one clutch, in log units, on phantoms
    least_similarity : of sizes further apart than two of these standard deviations
    unknown_similarity : of a track without others to compare with: on phantoms, half way between eggs and false objects
    end_share : of the sightings, at either end of the track
    min_sightings : of fewer, neither place nor shape is known; both are then as far from steady as eggs mostly are
    max_slide : in radii of the largest section; no section of a ball slides as far
    unknown_slide : in such radii;  unknown_shape_sd, least_shape_sd : log units of long by short semi-axis
    level : grey levels that count as one unit
    inside, wall, step : least and most of these signs, in grey levels. A wall is missing or it is not; a border that
    every eye sees is no better for more contrast, since other organs have it, too.
    unknown_step : grey levels, where the border could not be measured; other signs are then 0, for neither
    """

    min_probability: float = 0.02
    log_size_sd: float = 0.15
    least_similarity: float = -4.0
    unknown_similarity: float = -1.0
    end_share: float = 0.125
    min_sightings: int = 5
    max_slide: float = 2.0
    unknown_slide: float = 0.3
    unknown_shape_sd: float = 0.05
    least_shape_sd: float = 0.01
    level: float = 10.0
    inside: tuple[float, float] = (-60.0, 60.0)
    wall: tuple[float, float] = (-10.0, 60.0)
    step: tuple[float, float] = (0.0, 30.0)
    unknown_step: float = 10.0


_LIMITS = _FeatureLimits()


def track_features(
    clips: Sequence[ClipTracks], *, shelled: bool, settings: TrackSettings
) -> dict[tuple[str, int], Floats]:
    """(F,) features of each track of an exam, by file and identity, in the order of `FEATURE_NAMES`.

    score, upper_score, kind : log-odds of the mean score, of the upper score, of being shelled (or a follicle)
    size_similarity : minus the squared deviation from the median size of the exam's other tracks of that kind, at most
        0. Eggs of a clutch are of similar size, gut is of any size.
    rise_and_fall : how much smaller the first and last sections are than the largest one, as a share of it
    steady_place : minus how far the section slides, in its radii, beyond what turning the probe explains
    steady_shape : minus the logarithm of how much the ratio of the section's axes varies
    inside, wall, step : signs of the picture (`pipeline.detect.shell_signs`), in tens of grey levels, those of a
        follicle with the opposite sign: it is bright inside, and has no wall; both have a step all round
    """
    follicle_probability = {
        (clip.file, track.identity): float(stage_probabilities([track], settings)[0])
        for clip in clips
        for track in clip.tracks
    }
    log_sizes = {
        (clip.file, track.identity): math.log(largest_section(track) * _size_unit(clip))
        for clip in clips
        for track in clip.tracks
    }
    is_of_kind = {key: (probability <= 0.5) == shelled for key, probability in follicle_probability.items()}
    sizes_of_kind = np.sort([size for key, size in log_sizes.items() if is_of_kind[key]])
    features = {}
    for clip in clips:
        course = clip.courses[0] if clip.courses else straight_course(clip.frames)
        for track in clip.tracks:
            key = clip.file, track.identity
            follicle, size = follicle_probability[key], log_sizes[key]
            probabilities = np.clip(
                [float(track.scores.mean()), upper_score(track), 1 - follicle if shelled else follicle],
                _LIMITS.min_probability,
                1 - _LIMITS.min_probability,
            )
            others = (
                np.delete(sizes_of_kind, np.searchsorted(sizes_of_kind, size)) if is_of_kind[key] else sizes_of_kind
            )
            features[key] = np.concatenate(
                [
                    logit(probabilities),
                    [_size_similarity(size, others)],
                    _section_profile(track, course),
                    _look(clip.signs.get(track.identity), shelled=shelled),
                ]
            )
    return features


def _size_similarity(log_size: float, others: Floats) -> float:
    if not len(others):
        return _LIMITS.unknown_similarity
    deviation = (log_size - float(np.median(others))) / _LIMITS.log_size_sd
    return max(-(deviation**2), _LIMITS.least_similarity)


def _size_unit(clip: ClipTracks) -> float:
    """Sizes are in mm or, without a scale, relative to the imaging depth."""
    return clip.mm_per_px or (1 / clip.imaging_depth_px if clip.imaging_depth_px else 1.0)


def _section_profile(track: Track, course: ProbeCourse) -> list[float]:
    """rise_and_fall, steady_place and steady_shape, from the outlines in frame order."""
    sizes, largest = section_sizes(track), largest_section(track)
    end = max(1, int(_LIMITS.end_share * len(sizes)))
    ends = float(sizes[:end].mean() + sizes[-end:].mean()) / 2
    if len(sizes) < _LIMITS.min_sightings:
        slide, shape_sd = _LIMITS.unknown_slide, _LIMITS.unknown_shape_sd
    else:
        slide = min(_slide(track, course) / largest, _LIMITS.max_slide)
        shape_sd = float(np.log(track.ellipses[:, 2] / track.ellipses[:, 3]).std())
    return [1 - min(ends / largest, 1.0), -slide, -math.log(shape_sd + _LIMITS.least_shape_sd)]


def _slide(track: Track, course: ProbeCourse) -> float:
    """px that the centre moves along a straight line while the plane moves by one standard deviation of its way."""
    places = course.turned_back(track.frames, track.ellipses[:, :2])
    way = course.position(track.frames)
    way = way - way.mean()
    spread = float(way.std())
    if spread == 0:
        return 0.0
    return float(np.hypot(*(way @ places)) / len(way) / spread)


def _look(signs: ShellSigns | None, *, shelled: bool) -> list[float]:
    """inside, wall and step."""
    if signs is None:
        return [0.0, 0.0, _LIMITS.unknown_step / _LIMITS.level]
    sense = 1.0 if shelled else -1.0
    return [
        sense * _units(-signs.interior, _LIMITS.inside, unknown=0.0),
        sense * _units(signs.wall_all_round, _LIMITS.wall, unknown=0.0),
        _units(signs.step_all_round, _LIMITS.step, unknown=_LIMITS.unknown_step),
    ]


def _units(grey_levels: float, limits: tuple[float, float], *, unknown: float) -> float:
    level = unknown if math.isnan(grey_levels) else grey_levels
    return float(np.clip(level, *limits)) / _LIMITS.level
