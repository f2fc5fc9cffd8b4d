"""What no hand intends: the probe slips on the gel, the animal kicks, or the probe loses the skin for a moment.

None of it is a turn. All numbers are common practice, without a source, for ``FRAMES_PER_SECOND``.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from synthetic.film.hand_motion import ramp

__all__ = ["Jerk", "draw_kick", "draw_lift_off", "draw_slip"]

Numbers = NDArray[np.float64]


@dataclass(frozen=True)
class Jerk:
    """An abrupt motion. progress : (T,) share of ``slides_mm`` (2,) and ``degrees`` (3,) that is done;  contact : (T,)

    slides_mm, degrees : as in MotionOfHand
    """

    progress: Numbers
    slides_mm: Numbers
    degrees: Numbers
    contact: Numbers


def draw_slip(rng: np.random.Generator, frames: int) -> Jerk:
    """The probe slips several mm within 2 to 4 frames, mostly across its plane, and stays there."""
    start = int(rng.integers(frames - 1))
    progress = ramp(frames, start, int(rng.integers(2, 5)))
    slides = rng.choice([-1.0, 1.0]) * rng.uniform(3, 8) * np.array([1.0, rng.uniform(-0.6, 0.6)])
    return Jerk(progress, slides, rng.uniform(-4, 4, 3), np.ones(frames))


def draw_kick(rng: np.random.Generator, frames: int) -> Jerk:
    """The body jerks against the probe within 2 or 3 frames and moves nearly back, slower; often the contact breaks."""
    start, out, back = int(rng.integers(frames - 1)), int(rng.integers(2, 4)), int(rng.integers(6, 13))
    progress = ramp(frames, start, out) - rng.uniform(0.7, 1.0) * ramp(frames, start + out, back)
    direction = rng.normal(size=2)
    slides = rng.uniform(3, 9) * direction / np.linalg.norm(direction)
    contact = np.ones(frames)
    if rng.random() < 0.6:
        lost = ramp(frames, start, 2) - ramp(frames, start + int(rng.integers(3, 9)), 3)
        contact -= rng.uniform(0.6, 1.0) * lost
    return Jerk(progress, slides, rng.uniform(-7, 7, 3), contact)


def draw_lift_off(rng: np.random.Generator, frames: int) -> Jerk:
    """The face leaves the skin for 5 to 25 frames, fewer in short clips, and comes back some mm beside its place.

    The hand does not go on meanwhile: see ``draw_sweep``.
    """
    lost = min(int(rng.integers(5, 26)), frames // 3)
    start = int(rng.integers(1, max(frames - lost, 2)))
    contact = np.ones(frames)
    contact[start : start + lost] = 0.0
    progress = ramp(frames, start, max(lost, 1))
    return Jerk(progress, rng.normal(0, 1.5, 2).clip(-4, 4), rng.normal(0, 1.5, 3).clip(-4, 4), contact)
