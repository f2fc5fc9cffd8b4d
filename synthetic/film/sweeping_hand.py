"""A hand that slides and tilts the probe along the body once, from tail to head or back; some return part of the way.

All numbers are common practice, without a source, for ``FRAMES_PER_SECOND``.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from synthetic.anatomy.animal import Animal
from synthetic.film.hand_motion import MotionOfHand, drift, pressing, uneven_pace
from synthetic.film.sweep import MAX_STEP_MM, MAX_TURN_DEGREES

__all__ = ["Sweeping", "draw_sweeping"]

Numbers = NDArray[np.float64]


@dataclass(frozen=True)
class Sweeping:
    """returns : the hand comes back part of the way;  rocks : it rocks the probe on its face"""

    returns: bool = False
    rocks: bool = False

    def move(self, rng: np.random.Generator, animal: Animal, frames: int) -> MotionOfHand:
        """The intended motion in ``frames`` frames, 2 or more.

        The speed of a hand is limited: with few frames it covers only the middle part of its path.
        """
        slide = rng.uniform(0.08, 0.13) * animal.carapace_mm
        tilt = rng.uniform(14, 22)
        # The remaining 20 % of the largest speed are for drift and tremor.
        max_speed = 0.8 * min(MAX_STEP_MM / (2 * slide), MAX_TURN_DEGREES / (2 * tilt))
        along, turns = _progress(rng, frames, max_speed, returns=self.returns)
        along = 2 * along - along.max()
        along *= rng.choice([-1.0, 1.0])
        slides = np.stack(
            [
                along * slide + drift(rng, frames, 0.25),
                rng.uniform(-0.1, 0.1) * animal.height_mm + drift(rng, frames, 1.5),
            ],
            axis=1,
        )
        fan = along * tilt + rng.uniform(-4, 4) + drift(rng, frames, 1.0)
        in_plane = rng.uniform(-8, 8) + drift(rng, frames, 1.5)
        twist = rng.uniform(-10, 10) + drift(rng, frames, 1.0)
        if self.rocks:
            # As a probe rocks on a curved face; at most 8 degrees x 2 pi / 30 frames.
            phase = 2 * np.pi * (np.arange(frames) / rng.uniform(30, 60) + rng.random())
            in_plane += rng.uniform(3, 8) * np.sin(phase)
        degrees = np.stack([twist, fan, in_plane], axis=1)
        return MotionOfHand("across", slides, degrees, pressing(rng, frames), turns).limited()


def draw_sweeping(rng: np.random.Generator) -> Sweeping:
    """One in five returns, three in ten rock."""
    return Sweeping(returns=bool(rng.random() < 0.2), rocks=bool(rng.random() < 0.3))


def _progress(
    rng: np.random.Generator, frames: int, max_speed: float, *, returns: bool
) -> tuple[Numbers, tuple[int, ...]]:
    """(frames,) from 0 towards 1, at most ``max_speed`` per frame, and the turn; ``returns`` adds a way back."""
    turn = max(1, int(frames * rng.uniform(0.55, 0.75))) if returns else frames
    out = _one_way(rng, turn, 1.0, max_speed)
    if not returns:
        return out, ()
    back = _one_way(rng, frames - turn + 1, rng.uniform(0.3, 0.9) * out[-1], max_speed)
    return np.concatenate([out, out[-1] - back[1:]]), (turn - 1,) if turn > 1 else ()


def _one_way(rng: np.random.Generator, frames: int, distance: float, max_speed: float) -> Numbers:
    """(frames,) from 0 to ``distance``, never back, at a changing speed with an occasional rest.

    If the largest speed would exceed ``max_speed``, the hand covers a shorter distance.
    """
    steps = uneven_pace(rng, frames, 0.12)
    if rng.random() < 0.4:
        start = int(rng.integers(frames))
        steps[start : start + int(rng.integers(5, 15))] = 0.02
    steps[0] = 0.0
    scale = min(distance / max(steps.sum(), 1e-9), max_speed / max(steps.max(), 1e-9))
    return np.asarray(scale * np.cumsum(steps))
