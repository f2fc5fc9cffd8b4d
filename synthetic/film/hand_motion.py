"""The intended motion of a hand, seen from the probe, and what all hands have in common.

No hand is steady: it drifts, trembles, varies its pressure and its pace. All numbers are common practice, without a
source, for ``FRAMES_PER_SECOND``.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from synthetic.anatomy.animal import Animal
from synthetic.film.sweep import FRAMES_PER_SECOND, MAX_PRESSING_MM, MAX_STEP_MM, MAX_TURN_DEGREES, Sweep, Window

__all__ = ["Hold", "MotionOfHand", "drift", "pressing", "ramp", "uneven_pace"]

Hold = Literal["across", "along"]
Numbers = NDArray[np.float64]

_FACE_SHARE = 0.45  # distance of the skin from the body's middle, as a share of its width


@dataclass(frozen=True)
class MotionOfHand:
    """The motion in T frames, in the axes of a probe that is held straight.

    hold : the face lies "across" the body, from belly to back, and the hand moves from tail to head or back; or "along"
    it, from tail to head, and the hand moves up and down
    slides_mm : (T, 2) over the skin, across the plane (to the head, or to the back) and along the face
    degrees : (T, 3) rotations, each about an axis that those before it in this list have turned: twist about the beam;
    fan about the face, which tilts the beam out of the plane (to the head, or to the back); in-plane about the normal
    of the plane, which turns the picture in its own plane about the middle of the face
    pressure_mm : (T,);  turns : as in Sweep
    """

    hold: Hold
    slides_mm: Numbers
    degrees: Numbers
    pressure_mm: Numbers
    turns: tuple[int, ...]

    def limited(self) -> MotionOfHand:
        """The same with no step faster than a hand moves."""
        return replace(
            self,
            slides_mm=_with_limited_steps(self.slides_mm, MAX_STEP_MM),
            degrees=_with_limited_steps(self.degrees, MAX_TURN_DEGREES),
        )

    def delayed(self, moments: NDArray[np.int64]) -> MotionOfHand:
        """The motion seen at the moments (T',), ascending. Where a moment is repeated, the hand waits."""
        return replace(
            self,
            slides_mm=self.slides_mm[moments],
            degrees=self.degrees[moments],
            pressure_mm=self.pressure_mm[moments],
            turns=tuple(np.searchsorted(moments, self.turns).tolist()),
        )

    def sweep(self, animal: Animal, window: Window, contact: Numbers, is_abrupt: NDArray[np.bool_]) -> Sweep:
        """The motion on a window of an animal. contact, is_abrupt : (T,) as in Sweep"""
        beam = np.array([1.0 if window == "left" else -1.0, 0.0, 0.0])
        head, back = np.array([0.0, 1.0, 0.0]), np.array([0.0, 0.0, 1.0])
        across, face = (head, back) if self.hold == "across" else (back, head)
        twist, fan, in_plane = np.deg2rad(self.degrees.T[..., None])  # (T, 1) each
        face_axis = np.cos(twist) * face + np.sin(twist) * across
        fan_axis = np.cos(twist) * across - np.sin(twist) * face
        tilted = np.cos(fan) * beam + np.sin(fan) * fan_axis
        downs = np.cos(in_plane) * tilted + np.sin(in_plane) * face_axis
        rights = np.cos(in_plane) * face_axis - np.sin(in_plane) * tilted
        skin = self.slides_mm[:, :1] * across + self.slides_mm[:, 1:] * face - _FACE_SHARE * animal.width_mm * beam
        origins = skin + self.pressure_mm[:, None] * downs
        return Sweep(window, origins, rights, downs, self.pressure_mm, contact, is_abrupt, self.turns)


def drift(rng: np.random.Generator, frames: int, deviation: float) -> Numbers:
    """(frames,) slow drift with the given standard deviation, and a tremor with a tenth of it."""
    # One knot per second, with smooth interpolation between them.
    seconds = np.arange(frames) / FRAMES_PER_SECOND
    knots = rng.normal(0, deviation, int(seconds[-1]) + 2)
    before, share = seconds.astype(int), seconds % 1
    share = share * share * (3 - 2 * share)
    slow = knots[before] * (1 - share) + knots[before + 1] * share
    return np.asarray(slow + rng.normal(0, 0.1 * deviation, frames))


def pressing(rng: np.random.Generator, frames: int) -> Numbers:
    """(frames,) mm by which the face is pressed in, at most 2 either way."""
    return np.asarray(_with_limited_steps(drift(rng, frames, 0.8)[:, None], MAX_PRESSING_MM)[:, 0].clip(-2, 2))


def uneven_pace(rng: np.random.Generator, frames: int, wander: float) -> Numbers:
    """(frames,) speeds about 1, between 0.5 and 1.8, that wander by ``wander`` from one frame to the next."""
    pace = np.exp(np.cumsum(rng.normal(0, wander, frames)))
    return np.asarray(np.clip(pace / np.median(pace), 0.5, 1.8))


def ramp(frames: int, start: int, length: int) -> Numbers:
    """(frames,) 0 up to frame ``start``, then a smooth rise to 1 within ``length`` frames."""
    share = ((np.arange(frames) - start) / length).clip(0, 1)
    return np.asarray(share * share * (3 - 2 * share))


def _with_limited_steps(places: Numbers, max_step: float) -> Numbers:
    """(T, D) places in which no step is longer than ``max_step``: longer steps are shortened."""
    steps = np.diff(places, axis=0)
    length = np.linalg.norm(steps, axis=1, keepdims=True)
    steps *= np.minimum(1.0, max_step / np.maximum(length, 1e-9))
    return np.concatenate([places[:1], places[:1] + np.cumsum(steps, axis=0)])
