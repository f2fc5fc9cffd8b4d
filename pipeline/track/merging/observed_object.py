"""One object as it appeared in one pass of the probe, or in several that were found to be the same."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from pipeline.settings import TrackSettings
from pipeline.track.track_evidence import existence_probability, stage_probabilities, upper_score
from pipeline.track.tracks import Track

__all__ = ["ObservedObject", "largest_section", "merge_objects", "observed_object", "section_sizes"]

Floats = NDArray[np.float64]

# A crossing is whole if its ends are smaller than this share of its largest section.
_WHOLE = 0.9


@dataclass(frozen=True)
class ObservedObject:
    """What merging weighs of an object.

    members : (clip, track identity) of every track, the clip as its place in canonical order
    frames : (F,) int64, ascending, in which it was seen; of one clip only
    position : where along the sweep it was crossed, in frames of the clip's first pass;  start_position, end_position : from where to
    where, likewise
    lateral, depth, size : place and geometric mean semi-axis of its largest section, in px or, after
    :meth:`in_mm`, mm
    is_fully_crossed : whether the plane passed through it from end to end, so that ``size`` is its own
    stages : (3,) follicle, thin-shelled, calcified;  existence : probability that it is real
    upper_score : score in the best fifth of its best track's frames
    """

    members: tuple[tuple[int, int], ...]
    frames: NDArray[np.int64]
    position: float
    start_position: float
    end_position: float
    lateral: float
    depth: float
    size: float
    is_fully_crossed: bool
    stages: Floats
    existence: float
    upper_score: float

    @property
    def is_shelled(self) -> bool:
        return bool(self.stages[1] + self.stages[2] >= 0.5)

    def in_mm(self, mm_per_px: float) -> ObservedObject:
        """The same in mm."""
        return replace(
            self,
            lateral=self.lateral * mm_per_px,
            depth=self.depth * mm_per_px,
            size=self.size * mm_per_px,
        )

    def relative_to_centre(self, middle: float) -> ObservedObject:
        """The same, its lateral place counted from the sector's middle."""
        return replace(self, lateral=self.lateral - middle)

    def moved_to(self, position: float, start_position: float, end_position: float) -> ObservedObject:
        """The same, crossed elsewhere along the sweep."""
        return replace(
            self,
            position=position,
            start_position=min(start_position, end_position),
            end_position=max(start_position, end_position),
        )


def section_sizes(track: Track) -> Floats:
    """(N,) px, geometric mean semi-axis of each sighting."""
    return np.asarray(np.sqrt(track.ellipses[:, 2] * track.ellipses[:, 3]))


def largest_section(track: Track) -> float:
    """px, geometric mean semi-axis of its largest sections, one in ten."""
    return float(np.quantile(section_sizes(track), 0.9))


def observed_object(clip: int, tracks: Sequence[Track], settings: TrackSettings) -> ObservedObject:
    """The appearance of one object that ``tracks``, in time order, followed through one pass of one clip."""
    frames = np.concatenate([track.frames for track in tracks])
    sizes = np.concatenate([section_sizes(track) for track in tracks])
    largest = float(np.quantile(sizes, 0.9))
    showing = max(tracks, key=lambda track: float(section_sizes(track)[track.best_row]))
    best = int(showing.best_row)
    return ObservedObject(
        members=tuple((clip, track.identity) for track in tracks),
        frames=frames,
        position=float(frames @ sizes / sizes.sum()),
        start_position=float(frames[0]),
        end_position=float(frames[-1]),
        lateral=float(showing.ellipses[best, 0]),
        depth=float(showing.depths_px[best]),
        size=largest,
        is_fully_crossed=bool(len(sizes) >= 3 and max(sizes[0], sizes[-1]) < _WHOLE * largest),
        stages=stage_probabilities(tracks, settings),
        existence=_either([existence_probability(track, settings) for track in tracks], settings),
        upper_score=max(upper_score(track) for track in tracks),
    )


def merge_objects(first: ObservedObject, second: ObservedObject, settings: TrackSettings) -> ObservedObject:
    """Two appearances of one object as one, at the first one's position along the sweep."""
    shares = np.array([len(first.members), len(second.members)]) / (len(first.members) + len(second.members))
    product = first.stages * second.stages
    return ObservedObject(
        members=first.members + second.members,
        frames=np.union1d(first.frames, second.frames),
        position=first.position,
        start_position=first.start_position,
        end_position=first.end_position,
        lateral=float(shares @ [first.lateral, second.lateral]),
        depth=float(shares @ [first.depth, second.depth]),
        size=max(first.size, second.size),
        is_fully_crossed=first.is_fully_crossed or second.is_fully_crossed,
        stages=product / product.sum(),
        existence=_either([first.existence, second.existence], settings),
        upper_score=max(first.upper_score, second.upper_score),
    )


def _either(chances: Sequence[float], settings: TrackSettings) -> float:
    # An object met twice is real if either meeting was.
    return min(1 - math.prod(1 - chance for chance in chances), settings.maximum_existence)
