"""The course of the hand: where along its way the probe was in every frame of a clip, and where it turned back.

A position is measured in picture differences: two frames one unit apart on a straight way look clearly different. It
falls when the hand goes back, so frames of equal position show the same plane, however often the hand turned.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

__all__ = ["ProbeCourse", "ProbeTurn", "from_face", "straight_course", "turned_back"]

Floats = NDArray[np.float64]

# Of a clip whose pictures were not compared: picture differences for each frame, half a second for each unit (common
# practice, no source).
_UNCOMPARED_STEP = 0.08


@dataclass(frozen=True)
class ProbeTurn:
    """frame : at which the hand turned back;  probability : that it did"""

    frame: float
    probability: float

    @property
    def is_likely(self) -> bool:
        """Whether the pictures make a turn more likely than not."""
        return self.probability > 0.5


@dataclass(frozen=True)
class ProbeCourse:
    """One reading of the hand's motion.

    frames : (K,) int64, ascending, at least one
    positions : (K,) along the way, in picture differences, 0 in the first frame and positive from there on
    in_plane_degrees : (K,) by which the picture is turned about the middle of the probe's face
    turns : in order
    probability : that these are the turns; those of all readings of a clip sum to 1
    face_xy : px, the middle of the probe's face
    """

    frames: NDArray[np.int64]
    positions: Floats
    in_plane_degrees: Floats
    turns: tuple[ProbeTurn, ...]
    probability: float
    face_xy: tuple[float, float]
    upside_down: bool = False

    def position(self, frames: NDArray[Any]) -> Floats:
        """Positions of frames, also of those in between."""
        return np.asarray(np.interp(frames, self.frames, self.positions), np.float64)

    def turned_back(self, frames: NDArray[Any], points: Floats) -> Floats:
        """(N, 2) px where points x, y (N, 2) of frames (N,) lie from the face's middle once the picture is turned back.

        x to the right, y away from the face.
        """
        angle = np.interp(frames, self.frames, self.in_plane_degrees)
        return turned_back(from_face(points, self.face_xy, upside_down=self.upside_down), angle)


def from_face(points: Floats, face_xy: tuple[float, float], *, upside_down: bool) -> Floats:
    """(N, 2) px, points x, y (N, 2) of a picture seen from the face's middle: x to the right, y away from the face."""
    return np.asarray((points - face_xy) * [1, -1 if upside_down else 1])


def turned_back(points: Floats, degrees: NDArray[Any]) -> Floats:
    """(..., 2) points (..., 2) as seen from the face's middle, once the picture is turned back by (...) degrees."""
    angle = np.deg2rad(degrees)
    x, y, cos, sin = points[..., 0], points[..., 1], np.cos(angle), np.sin(angle)
    return np.stack([x * cos - y * sin, x * sin + y * cos], axis=-1)


def straight_course(frames: int) -> ProbeCourse:
    """The course of a clip of so many frames whose pictures were not compared: an even pace and no turn."""
    ends = np.array([0, max(frames - 1, 1)], np.int64)
    return ProbeCourse(ends, np.array([0.0, ends[1] * _UNCOMPARED_STEP]), np.zeros(2), (), 1.0, (0.0, 0.0))
