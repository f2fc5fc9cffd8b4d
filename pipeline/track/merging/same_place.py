"""Whether two clips of one window show the same egg: where their frames are alike, an egg lies at one place.

Key frames of both clips are compared under in-plane turns. Where two of them are alike, the probe was over the same
plane, and an egg of the one lies where it lies in the other. Where none are alike, the pictures say nothing.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from pipeline.track.frame_likeness import ClipLikeness, clip_likeness
from pipeline.track.merging.observed_object import ObservedObject, section_sizes
from pipeline.track.probe_course import from_face, turned_back
from pipeline.track.tracks import ClipTracks, Track

__all__ = [
    "FEATURES",
    "KeySections",
    "SamePlace",
    "alike_frames",
    "compare_places",
    "key_sections",
    "place_features",
]

Floats = NDArray[np.float64]


FEATURES = ("distance", "closeness", "likeness", "both")


@dataclass(frozen=True)
class _SamePlaceModel:
    """Log-likelihood ratio of one egg against two, from the most alike frames that show both.

    Learned by logistic regression on 6,079 pairs of tracks, 630 of one egg, in 79 pairs of clips of one window, on
    phantoms of seed 15001; the constant is without the share of pairs of one egg among them. Learned on half of the
    animals, it tells 190 of 330 pairs of one egg in the other half, and takes 13 of 2,700 other pairs for one. What is
    not a weight is common practice, no source.
    """

    constant: float = 2.1
    distance: float = -1.59  # sums of mean semi-axes
    closeness: float = 2.79  # logarithm of the distance
    likeness: float = -2.37
    both: float = -6.38  # likeness times closeness
    closest: float = 0.05  # sums of mean semi-axes; what is closer counts as this
    alike_pairs: int = 4  # of frames, the most alike ones, whose likeness and distances count
    maximum: float = 8.0  # either way


_MODEL = _SamePlaceModel()


@dataclass(frozen=True)
class KeySections:
    """Where key frames show an object.

    rows : (N,) of the key frames;  places : (N, 2) mm from the middle of the probe's face;  sizes : (N,) mm
    """

    rows: NDArray[np.int64]
    places: Floats
    sizes: Floats


@dataclass(frozen=True)
class SamePlace:
    """ratios : (N, M) log-likelihood ratios; 0 where the pictures do not say

    likeness : of the most alike frames of both scans, None where no frames could be compared
    """

    ratios: Floats
    likeness: float | None


def compare_places(
    first: Sequence[ObservedObject], second: Sequence[ObservedObject], clips: Sequence[ClipTracks]
) -> SamePlace:
    """Compare the objects of two scans. clips : in canonical order, as the objects' members name them"""
    found: list[float] = []
    weights = np.array([getattr(_MODEL, name) for name in FEATURES])
    ratios = np.zeros((len(first), len(second)))
    found_at = np.full(ratios.shape, -np.inf)  # likeness of the frames that a ratio rests on
    for a in sorted({clip for one in first for clip, _ in one.members}):
        for b in sorted({clip for one in second for clip, _ in one.members}):
            alike = alike_frames(clips[a], clips[b])
            if alike is None:
                continue
            found.append(alike.best_mean)
            sections_a, sections_b = (
                key_sections(side, index, clips[index]) for side, index in ((first, a), (second, b))
            )
            for i, j, features in place_features(sections_a, sections_b, alike):
                at = features[FEATURES.index("likeness")]
                if at > found_at[i, j]:
                    ratio = _MODEL.constant + weights @ features
                    found_at[i, j], ratios[i, j] = at, np.clip(ratio, -_MODEL.maximum, _MODEL.maximum)
    return SamePlace(ratios, max(found, default=None))


def alike_frames(first: ClipTracks, second: ClipTracks) -> ClipLikeness | None:
    """How alike the key frames of two clips are; None where one of them has none, or no scale."""
    keys, scales = (first.key_frames, second.key_frames), (first.mm_per_px, second.mm_per_px)
    if keys[0] is None or keys[1] is None or scales[0] is None or scales[1] is None:
        return None
    depth_mm = min(keys[0].geometry.depth_px * scales[0], keys[1].geometry.depth_px * scales[1])
    return clip_likeness(
        (keys[0].thumbnails, replace(keys[0].geometry, depth_px=depth_mm / scales[0])),
        (keys[1].thumbnails, replace(keys[1].geometry, depth_px=depth_mm / scales[1])),
    )


def key_sections(objects: Sequence[ObservedObject], index: int, clip: ClipTracks) -> dict[int, KeySections]:
    """Of each object that key frames of the clip show, by its place among the objects."""
    if clip.key_frames is None or clip.mm_per_px is None:
        return {}
    frames, geometry = clip.key_frames.thumbnails.frames, clip.key_frames.geometry
    tracks = {track.identity: track for track in clip.tracks}
    sections: dict[int, KeySections] = {}
    for number, one in enumerate(objects):
        of_clip: list[Track] = [tracks[track] for member, track in one.members if member == index]
        if not of_clip:
            continue
        seen = np.concatenate([track.frames for track in of_clip])
        is_key = np.isin(seen, frames)
        if is_key.any():
            centres = np.concatenate([track.ellipses[:, :2] for track in of_clip])[is_key]
            sizes = np.concatenate([section_sizes(track) for track in of_clip])[is_key]
            places = from_face(centres, geometry.middle_xy, upside_down=geometry.upside_down) * clip.mm_per_px
            sections[number] = KeySections(np.searchsorted(frames, seen[is_key]), places, sizes * clip.mm_per_px)
    return sections


def place_features(
    first: Mapping[int, KeySections], second: Mapping[int, KeySections], alike: ClipLikeness
) -> Iterator[tuple[int, int, Floats]]:
    """Every pair of objects with what says whether they are one egg, (4,) in the order of `FEATURES`."""
    for i, a in first.items():
        for j, b in second.items():
            yield i, j, _features(a, b, alike)


def _features(a: KeySections, b: KeySections, clips: ClipLikeness) -> Floats:
    pairs = np.ix_(a.rows, b.rows)
    alike = clips.likeness[pairs]
    shown = b.places * [-1 if clips.is_mirrored else 1, 1]
    step = a.places[:, None] - turned_back(shown[None], clips.turn_degrees[pairs])
    distances = np.hypot(step[..., 0], step[..., 1]) / (a.sizes[:, None] + b.sizes)
    best = np.argsort(-alike, axis=None, kind="stable")[: _MODEL.alike_pairs]
    at, distance = float(alike.ravel()[best].mean()), float(np.median(distances.ravel()[best]))
    closeness = float(np.log(max(distance, _MODEL.closest)))
    return np.array([distance, closeness, at, at * closeness])
