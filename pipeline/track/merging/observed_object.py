"""One object as it was observed in one pass of the probe, or in several passes that were merged."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from pipeline.settings_tables import TrackSettings
from pipeline.track.probe_course import ProbeCourse
from pipeline.track.track_evidence import existence_probability, is_shelled, stage_probabilities, upper_score
from pipeline.track.tracks import Track

__all__ = ["ObservedObject", "largest_section", "merge_objects", "observed_object", "section_sizes"]

Floats = NDArray[np.float64]

# Common practice, no source: a crossing is complete if its ends are smaller than this share of its largest section ...
_COMPLETE_END_SHARE = 0.9
# ... and it has at least this many sightings.
_COMPLETE_SIGHTINGS = 3
# The quantile of section sizes that counts as the largest: a single outline may be too large.
_LARGEST_QUANTILE = 0.9


@dataclass(frozen=True)
class ObservedObject:
    """What merging knows about an object.

    members : (clip, track identity) of every track, the clip as its index in canonical order
    frames : (F,) int64, ascending, in which it was seen; of one clip only
    position : where along the course of the hand it was crossed, in picture differences
    low_position, high_position : where its first and last sections lie along the course
    lateral, depth, size : position of its best section and geometric mean semi-axis of its largest one, in px of the
        frame, or, after :meth:`in_mm`, mm; lateral from the frame's left edge or, after :meth:`relative_to_centre`,
        from the sector's centre
    is_fully_crossed : whether the plane passed through it from end to end, so that ``size`` is its own
    stages : (3,) follicle, thin-shelled, calcified;  existence : probability that it is real
    upper_score : the score that the best fifth of its best track's frames reach
    """

    members: tuple[tuple[int, int], ...]
    frames: NDArray[np.int64]
    position: float
    low_position: float
    high_position: float
    lateral: float
    depth: float
    size: float
    is_fully_crossed: bool
    stages: Floats
    existence: float
    upper_score: float

    @property
    def is_shelled(self) -> bool:
        return is_shelled(self.stages)

    def in_mm(self, mm_per_px: float) -> ObservedObject:
        """The same object with lateral, depth and size in mm."""
        return replace(
            self,
            lateral=self.lateral * mm_per_px,
            depth=self.depth * mm_per_px,
            size=self.size * mm_per_px,
        )

    def relative_to_centre(self, centre: float) -> ObservedObject:
        """The same object, its lateral position relative to that of the sector's centre line."""
        return replace(self, lateral=self.lateral - centre)


def section_sizes(track: Track) -> Floats:
    """(N,) px, geometric mean semi-axis of each sighting."""
    return np.asarray(np.sqrt(track.ellipses[:, 2] * track.ellipses[:, 3]))


def largest_section(track: Track) -> float:
    """px, the geometric mean semi-axis that the largest tenth of its sections reach."""
    return float(np.quantile(section_sizes(track), _LARGEST_QUANTILE))


def observed_object(clip: int, tracks: Sequence[Track], course: ProbeCourse, settings: TrackSettings) -> ObservedObject:
    """The object that ``tracks`` of one clip followed, each through a crossing or a part of one. clip : its index"""
    frames = np.concatenate([track.frames for track in tracks])
    positions = course.position(frames)
    along = np.argsort(positions, kind="stable")
    sizes = np.concatenate([section_sizes(track) for track in tracks])
    largest = float(np.quantile(sizes, _LARGEST_QUANTILE))
    best_track = max(tracks, key=lambda track: float(section_sizes(track)[track.best_row]))
    best_row = best_track.best_row
    # Where it would lie if the picture were not turned in its plane, so that it compares with other clips.
    place = course.turned_back(best_track.frames[[best_row]], best_track.ellipses[[best_row], :2])
    is_end_small = max(sizes[along[0]], sizes[along[-1]]) < _COMPLETE_END_SHARE * largest
    return ObservedObject(
        members=tuple((clip, track.identity) for track in tracks),
        frames=np.unique(frames),
        position=float(positions @ sizes / sizes.sum()),
        low_position=float(positions.min()),
        high_position=float(positions.max()),
        lateral=course.face_xy[0] + float(place[0, 0]),
        depth=float(best_track.depths_px[best_row]),
        size=largest,
        is_fully_crossed=bool(len(sizes) >= _COMPLETE_SIGHTINGS and is_end_small),
        stages=stage_probabilities(tracks, settings),
        existence=_any_real([existence_probability(track, settings) for track in tracks], settings),
        upper_score=max(upper_score(track) for track in tracks),
    )


def merge_objects(first: ObservedObject, second: ObservedObject, settings: TrackSettings) -> ObservedObject:
    """Two observations of one object as one, at the first one's position along the sweep."""
    shares = np.array([len(first.members), len(second.members)]) / (len(first.members) + len(second.members))
    product = first.stages * second.stages
    return ObservedObject(
        members=first.members + second.members,
        frames=np.union1d(first.frames, second.frames),
        position=first.position,
        low_position=first.low_position,
        high_position=first.high_position,
        lateral=float(shares @ [first.lateral, second.lateral]),
        depth=float(shares @ [first.depth, second.depth]),
        size=max(first.size, second.size),
        is_fully_crossed=first.is_fully_crossed or second.is_fully_crossed,
        stages=product / product.sum(),
        existence=_any_real([first.existence, second.existence], settings),
        upper_score=max(first.upper_score, second.upper_score),
    )


def _any_real(probabilities: Sequence[float], settings: TrackSettings) -> float:
    # An object observed several times is real if any of the observations is.
    return min(1 - math.prod(1 - probability for probability in probabilities), settings.maximum_existence)
