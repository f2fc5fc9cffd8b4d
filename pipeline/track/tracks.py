"""One object followed through consecutive frames of one clip, and all such tracks of a clip.

Coordinates are pixels of the source frame, x to the right, y down, pixel centres at whole numbers.
Frames are counted from 0 in decoding order.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from pipeline.detect.shell_signs import ShellSigns
from pipeline.track.key_frames import KeyFrames
from pipeline.track.probe_course import ProbeCourse, ProbeTurn

__all__ = ["ClipTracks", "Track", "view_quality"]


def view_quality(ellipses: NDArray[np.float64], scores: NDArray[np.float64]) -> NDArray[np.float64]:
    """(N,) how well each sighting shows its object: the outline's area times the square of the score.

    It depends on one sighting at a time, so while a clip streams by it is known at once whether a frame is worth
    keeping.
    """
    return np.asarray(ellipses[:, 2] * ellipses[:, 3] * scores**2)


@dataclass(frozen=True)
class Track:
    """The sightings of one object, in frame order.

    identity : from 1, unique within the clip
    frames : (N,) int64, strictly increasing
    ellipses : (N, 5) float64, [cx, cy, semi-major, semi-minor, degrees], px
    depths_px : (N,) float64, from the probe's face to the centre, along the beam
    stage_probabilities : (N, 3) float64, follicle, thin-shelled, calcified; rows sum to 1
    scores : (N,) float64 in [0, 1]
    """

    identity: int
    frames: NDArray[np.int64]
    ellipses: NDArray[np.float64]
    depths_px: NDArray[np.float64]
    stage_probabilities: NDArray[np.float64]
    scores: NDArray[np.float64]

    @property
    def best_row(self) -> int:
        """Row of the sighting to show a person: large and with a high score, the earliest of equals."""
        return int(np.argmax(view_quality(self.ellipses, self.scores)))


@dataclass(frozen=True)
class ClipTracks:
    """All tracks of one clip, with what merging needs to know about the clip.

    file : name in the exam folder;  window : "left", "right" or None
    mm_per_px : None where no scale is known;  frames : how many were decoded
    sector_centre_x_px : x of the sector's centre line, None where no sector was found
    imaging_depth_px : from the probe's face to the lower end of the sector, None likewise
    signs : shell signs by track, for the tracks where they could be measured
    courses : readings of the hand's motion that its pictures allow, the most likely first; none where the pictures
        were not compared
    key_frames : to recognise the same place in another clip of the window; None likewise
    """

    file: str
    window: str | None
    mm_per_px: float | None
    frames: int
    tracks: tuple[Track, ...]
    sector_centre_x_px: float | None = None
    imaging_depth_px: float | None = None
    signs: Mapping[int, ShellSigns] = field(default_factory=dict)
    courses: tuple[ProbeCourse, ...] = ()
    key_frames: KeyFrames | None = None

    @property
    def likely_turns(self) -> tuple[ProbeTurn, ...]:
        """Where the hand turned back, in the most likely reading."""
        return self.courses[0].turns if self.courses else ()
