"""One object as it appeared in one pass of the probe, or in several that were found to be the same."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from pipeline.settings import TrackSettings
from pipeline.track.track_evidence import assurance, existence, stage_probabilities
from pipeline.track.tracks import Track

__all__ = ["Appearance", "appearance", "joined", "largest_section", "section_sizes"]

Floats = NDArray[np.float64]

# A crossing is whole if its ends are smaller than this share of its largest section.
_WHOLE = 0.9


@dataclass(frozen=True)
class Appearance:
    """What merging weighs of an object.

    members : (clip, track identity) of every track, the clip as its place in canonical order
    frames : (F,) int64, ascending, in which it was seen; of one clip only
    position : where along the sweep it was crossed, in frames of the clip's first pass;  begins, ends : from where to
    where, likewise
    lateral, depth, size : place and geometric mean semi-axis of its largest section, in px or, after
    :meth:`scaled`, mm
    whole : whether the plane passed through it from end to end, so that ``size`` is its own
    stages : (3,) follicle, thin-shelled, calcified;  existence : probability that it is real
    assurance : score in the best fifth of its best track's frames
    """

    members: tuple[tuple[int, int], ...]
    frames: NDArray[np.int64]
    position: float
    begins: float
    ends: float
    lateral: float
    depth: float
    size: float
    whole: bool
    stages: Floats
    existence: float
    assurance: float

    @property
    def is_shelled(self) -> bool:
        return bool(self.stages[1] + self.stages[2] >= 0.5)

    def scaled(self, mm_per_px: float) -> Appearance:
        """The same in mm."""
        return replace(
            self,
            lateral=self.lateral * mm_per_px,
            depth=self.depth * mm_per_px,
            size=self.size * mm_per_px,
        )

    def centred(self, middle: float) -> Appearance:
        """The same, its lateral place counted from the sector's middle."""
        return replace(self, lateral=self.lateral - middle)

    def moved(self, position: float, begins: float, ends: float) -> Appearance:
        """The same, crossed elsewhere along the sweep."""
        return replace(self, position=position, begins=min(begins, ends), ends=max(begins, ends))


def section_sizes(track: Track) -> Floats:
    """(N,) px, geometric mean semi-axis of each sighting."""
    return np.asarray(np.sqrt(track.ellipses[:, 2] * track.ellipses[:, 3]))


def largest_section(track: Track) -> float:
    """px, geometric mean semi-axis of its largest sections, one in ten."""
    return float(np.quantile(section_sizes(track), 0.9))


def appearance(clip: int, tracks: Sequence[Track], settings: TrackSettings) -> Appearance:
    """The appearance of one object that ``tracks``, in time order, followed through one pass of one clip."""
    frames = np.concatenate([track.frames for track in tracks])
    sizes = np.concatenate([section_sizes(track) for track in tracks])
    largest = float(np.quantile(sizes, 0.9))
    showing = max(tracks, key=lambda track: float(section_sizes(track)[track.best]))
    best = int(showing.best)
    return Appearance(
        members=tuple((clip, track.identity) for track in tracks),
        frames=frames,
        position=float(frames @ sizes / sizes.sum()),
        begins=float(frames[0]),
        ends=float(frames[-1]),
        lateral=float(showing.ellipses[best, 0]),
        depth=float(showing.depths_px[best]),
        size=largest,
        whole=bool(len(sizes) >= 3 and max(sizes[0], sizes[-1]) < _WHOLE * largest),
        stages=stage_probabilities(tracks, settings),
        existence=_either([existence(track, settings) for track in tracks], settings),
        assurance=max(assurance(track) for track in tracks),
    )


def joined(first: Appearance, second: Appearance, settings: TrackSettings) -> Appearance:
    """Two appearances of one object as one, at the first one's position along the sweep."""
    shares = np.array([len(first.members), len(second.members)]) / (len(first.members) + len(second.members))
    product = first.stages * second.stages
    return Appearance(
        members=first.members + second.members,
        frames=np.union1d(first.frames, second.frames),
        position=first.position,
        begins=first.begins,
        ends=first.ends,
        lateral=float(shares @ [first.lateral, second.lateral]),
        depth=float(shares @ [first.depth, second.depth]),
        size=max(first.size, second.size),
        whole=first.whole or second.whole,
        stages=product / product.sum(),
        existence=_either([first.existence, second.existence], settings),
        assurance=max(first.assurance, second.assurance),
    )


def _either(chances: Sequence[float], settings: TrackSettings) -> float:
    # An object met twice is real if either meeting was.
    return min(1 - math.prod(1 - chance for chance in chances), settings.existence_ceiling)
