"""A hand that sweeps a probe over one prefemoral window.

Body coordinates as in synthetic.anatomy. The probe stands on the soft skin before a hind leg and looks inward; the
scan plane is upright, and the hand slides and tilts it from tail to head. No hand is steady: it slows, rests, drifts,
trembles, and sometimes goes back.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from synthetic.anatomy import Animal
from synthetic.errors import PhantomError

__all__ = ["Sweep", "draw_sweep"]

Window = Literal["left", "right"]


@dataclass(frozen=True)
class Sweep:
    """Where the probe is in each of T frames.

    origins (T, 3) mm, the middle of the face; rights, downs (T, 3) unit vectors along the face and away from it
    place (T,) how far along the sweep, 0 at the tail end, 1 at the head end
    """

    window: Window
    origins: NDArray[np.float64]
    rights: NDArray[np.float64]
    downs: NDArray[np.float64]
    place: NDArray[np.float64]


def draw_sweep(
    rng: np.random.Generator, animal: Animal, window: Window, frames: int, *, returns: bool = False
) -> Sweep:
    """A sweep of ``frames`` frames; with ``returns`` the hand comes back part of the way.

    Raises PhantomError for fewer than two frames.
    """
    if frames < 2:
        raise PhantomError(f"A sweep needs at least 2 frames, got {frames}.")
    place = _hurry(rng, frames)
    if returns:
        turn = int(frames * rng.uniform(0.55, 0.75))
        back = place[turn] * (1 - rng.uniform(0.3, 0.9) * _hurry(rng, frames - turn))
        place = np.concatenate([place[:turn] / place[turn] * 1.0, back / place[turn]])
    if rng.random() < 0.5:
        place = 1 - place

    inward = 1.0 if window == "left" else -1.0
    slide = rng.uniform(0.08, 0.13) * animal.carapace_mm
    tilt = np.deg2rad(rng.uniform(14, 22))
    along = 2 * place - 1
    breath = 0.4 * np.sin(np.arange(frames) / 25 * 2 * np.pi * rng.uniform(0.2, 0.5))
    origins = np.stack(
        [
            np.full(frames, -inward * 0.45 * animal.width_mm),
            along * slide + _wander(rng, frames, 0.25),
            rng.uniform(-0.1, 0.1) * animal.height_mm + _wander(rng, frames, 1.5) + breath,
        ],
        axis=1,
    )
    yaw = along * tilt + np.deg2rad(rng.uniform(-4, 4)) + np.deg2rad(_wander(rng, frames, 1.0))
    pitch = np.deg2rad(rng.uniform(-8, 8)) + np.deg2rad(_wander(rng, frames, 1.5))
    downs = np.stack([inward * np.cos(yaw) * np.cos(pitch), np.sin(yaw) * np.cos(pitch), np.sin(pitch)], axis=1)
    # The face runs from belly to back, turned a little about the beam.
    roll = np.deg2rad(rng.uniform(-10, 10)) + np.deg2rad(_wander(rng, frames, 1.0))
    upward = np.stack([np.zeros(frames), np.sin(roll), np.cos(roll)], axis=1)
    rights = upward - (upward * downs).sum(axis=1, keepdims=True) * downs
    rights /= np.linalg.norm(rights, axis=1, keepdims=True)
    return Sweep(window, origins, rights, downs, place)


def _hurry(rng: np.random.Generator, frames: int) -> NDArray[np.float64]:
    """(frames,) from 0 to 1, never back: a pace that changes, with a rest now and then."""
    pace = np.exp(np.cumsum(rng.normal(0, 0.12, frames)))
    pace = np.clip(pace / np.median(pace), 0.5, 1.8)
    if rng.random() < 0.4:
        start = int(rng.integers(frames))
        pace[start : start + int(rng.integers(5, 15))] = 0.02
    place = np.concatenate([[0.0], np.cumsum(pace[1:])])
    return np.asarray(place / place[-1]) if frames > 1 else place


def _wander(rng: np.random.Generator, frames: int, deviation: float) -> NDArray[np.float64]:
    """(frames,) slow drift of the given standard deviation with a tenth of it as tremor."""
    knots = np.linspace(0, frames - 1, max(3, frames // 25 + 2))
    slow = np.interp(np.arange(frames), knots, rng.normal(0, deviation, len(knots)))
    return np.asarray(slow + rng.normal(0, 0.1 * deviation, frames))
