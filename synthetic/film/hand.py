"""The motion of a probe that a hand sweeps over one prefemoral window.

Body coordinates as in synthetic.anatomy.animal. The probe is on the soft skin in front of a hind leg and points inward.
The scan plane is vertical, and the hand slides and tilts it from tail to head or back. No hand is steady: it slows
down, rests, drifts, trembles, varies its pressure, rocks the probe on its face, and sometimes returns. Abrupt motion is
not intended: the probe slips on the gel, or the animal kicks, which may break the contact.

All numbers are common practice, without a source, for ``FRAMES_PER_SECOND``.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from synthetic.anatomy.animal import Animal
from synthetic.errors import PhantomError

__all__ = [
    "FRAMES_PER_SECOND",
    "MAX_STEP_MM",
    "MAX_TURN_DEGREES",
    "PLAIN_HAND",
    "Hand",
    "Sweep",
    "Window",
    "draw_hand",
    "draw_sweep",
]

Window = Literal["left", "right"]
Numbers = NDArray[np.float64]

FRAMES_PER_SECOND = 25
# The largest intended motion from one frame to the next: over the skin (without pressing), and rotation.
MAX_STEP_MM = 1.5
MAX_TURN_DEGREES = 2.5
_MAX_PRESSING_MM = 0.4  # change of the pressing depth from one frame to the next


@dataclass(frozen=True)
class Hand:
    """What happens in one clip. A plain hand only slides, tilts, drifts, trembles and rests.

    returns : the hand comes back part of the way;  rocks : it rocks the probe on its face
    slips, kicks : how often the probe slips, and how often the animal kicks
    """

    returns: bool = False
    rocks: bool = False
    slips: int = 0
    kicks: int = 0

    def __post_init__(self) -> None:
        if min(self.slips, self.kicks) < 0:
            raise PhantomError(f"The numbers of slips and kicks cannot be less than 0: {self}.")


PLAIN_HAND = Hand()


@dataclass(frozen=True)
class Sweep:
    """The position of the probe in each of T frames.

    origins : (T, 3) mm, the middle of the face;  rights, downs : (T, 3) unit vectors along the face and away from it
    pressure_mm : (T,) how much deeper than usual the face is pressed in (negative: less deep); included in origins
    contact : (T,) share of the face that touches the skin, 0 to 1
    is_abrupt : (T,) bool, frames reached by a slip or a kick; all other steps are within MAX_STEP_MM and
    MAX_TURN_DEGREES
    """

    window: Window
    origins: Numbers
    rights: Numbers
    downs: Numbers
    pressure_mm: Numbers
    contact: Numbers
    is_abrupt: NDArray[np.bool_]


def draw_hand(rng: np.random.Generator) -> Hand:
    """A random hand: one in five returns, three in ten rock, one in five slips, one in five animals kicks."""
    return Hand(
        returns=bool(rng.random() < 0.2),
        rocks=bool(rng.random() < 0.3),
        slips=int(rng.random() < 0.2),
        kicks=int(rng.random() < 0.2),
    )


def draw_sweep(rng: np.random.Generator, animal: Animal, window: Window, frames: int, hand: Hand = PLAIN_HAND) -> Sweep:
    """A sweep of ``frames`` frames.

    The speed of a hand is limited: with few frames it covers only the middle part of its path. Raises PhantomError for
    fewer than two frames.
    """
    if frames < 2:
        raise PhantomError(f"A sweep needs at least 2 frames, got {frames}.")
    slide = rng.uniform(0.08, 0.13) * animal.carapace_mm
    tilt = rng.uniform(14, 22)
    # The remaining 20 % of the largest speed are for drift and tremor.
    max_speed = 0.8 * min(MAX_STEP_MM / (2 * slide), MAX_TURN_DEGREES / (2 * tilt))
    along = _progress(rng, frames, max_speed, returns=hand.returns)
    along = 2 * along - along.max()
    along *= rng.choice([-1.0, 1.0])

    # On the skin, along the body and from belly to back (mm); yaw, pitch, and roll about the beam (degrees).
    skin = np.stack(
        [
            along * slide + _drift(rng, frames, 0.25),
            rng.uniform(-0.1, 0.1) * animal.height_mm + _drift(rng, frames, 1.5),
        ],
        axis=1,
    )
    angles = np.stack(
        [
            along * tilt + rng.uniform(-4, 4) + _drift(rng, frames, 1.0),
            rng.uniform(-8, 8) + _drift(rng, frames, 1.5),
            rng.uniform(-10, 10) + _drift(rng, frames, 1.0),
        ],
        axis=1,
    )
    if hand.rocks:
        # In the scan plane, as a probe rocks on a curved face; at most 8 degrees x 2 pi / 30 frames.
        phase = 2 * np.pi * (np.arange(frames) / rng.uniform(30, 60) + rng.random())
        angles[:, 1] += rng.uniform(3, 8) * np.sin(phase)
    skin, angles = _with_limited_steps(skin, MAX_STEP_MM), _with_limited_steps(angles, MAX_TURN_DEGREES)
    pressure = _with_limited_steps(_drift(rng, frames, 0.8)[:, None], _MAX_PRESSING_MM)[:, 0].clip(-2, 2)

    contact, is_abrupt = np.ones(frames), np.zeros(frames, dtype=bool)
    for event in (_slip,) * hand.slips + (_kick,) * hand.kicks:
        jerk = event(rng, frames)
        skin += jerk.progress[:, None] * jerk.skin_mm
        angles += jerk.progress[:, None] * jerk.degrees
        contact = np.minimum(contact, jerk.contact)
        is_abrupt[1:] |= np.diff(jerk.progress) != 0
    return _to_body(animal, window, skin, np.deg2rad(angles), pressure, contact, is_abrupt)


def _to_body(
    animal: Animal,
    window: Window,
    skin: Numbers,
    angles: Numbers,
    pressure: Numbers,
    contact: Numbers,
    is_abrupt: NDArray[np.bool_],
) -> Sweep:
    """The sweep in body coordinates, from places on the skin (T, 2) mm and angles (T, 3) radians."""
    inward = 1.0 if window == "left" else -1.0
    yaw, pitch, roll = angles.T
    zeros = np.zeros_like(yaw)
    downs = np.stack([inward * np.cos(yaw) * np.cos(pitch), np.sin(yaw) * np.cos(pitch), np.sin(pitch)], axis=1)
    # The face runs from belly to back, rotated a little about the beam.
    back = np.stack([zeros, np.sin(roll), np.cos(roll)], axis=1)
    rights = back - (back * downs).sum(axis=1, keepdims=True) * downs
    rights /= np.linalg.norm(rights, axis=1, keepdims=True)
    face = np.stack([zeros - inward * 0.45 * animal.width_mm, *skin.T], axis=1)
    return Sweep(window, face + pressure[:, None] * downs, rights, downs, pressure, contact, is_abrupt)


@dataclass(frozen=True)
class _Jerk:
    """An abrupt motion. progress : (T,) share of ``skin_mm`` (2,) and ``degrees`` (3,) that is done;  contact : (T,)"""

    progress: Numbers
    skin_mm: Numbers
    degrees: Numbers
    contact: Numbers


def _slip(rng: np.random.Generator, frames: int) -> _Jerk:
    """The probe slips several mm within 2 to 4 frames, mostly along the body, and stays there."""
    start = int(rng.integers(frames - 1))
    progress = _ramp(frames, start, int(rng.integers(2, 5)))
    skin = rng.choice([-1.0, 1.0]) * rng.uniform(3, 8) * np.array([1.0, rng.uniform(-0.6, 0.6)])
    return _Jerk(progress, skin, rng.uniform(-4, 4, 3), np.ones(frames))


def _kick(rng: np.random.Generator, frames: int) -> _Jerk:
    """The body jerks against the probe within 2 or 3 frames and moves nearly back, slower; often the contact breaks."""
    start, out, back = int(rng.integers(frames - 1)), int(rng.integers(2, 4)), int(rng.integers(6, 13))
    progress = _ramp(frames, start, out) - rng.uniform(0.7, 1.0) * _ramp(frames, start + out, back)
    direction = rng.normal(size=2)
    skin = rng.uniform(3, 9) * direction / np.linalg.norm(direction)
    contact = np.ones(frames)
    if rng.random() < 0.6:
        lost = _ramp(frames, start, 2) - _ramp(frames, start + int(rng.integers(3, 9)), 3)
        contact -= rng.uniform(0.6, 1.0) * lost
    return _Jerk(progress, skin, rng.uniform(-7, 7, 3), contact)


def _ramp(frames: int, start: int, length: int) -> Numbers:
    """(frames,) 0 up to frame ``start``, then a smooth rise to 1 within ``length`` frames."""
    share = ((np.arange(frames) - start) / length).clip(0, 1)
    return np.asarray(share * share * (3 - 2 * share))


def _progress(rng: np.random.Generator, frames: int, max_speed: float, *, returns: bool) -> Numbers:
    """(frames,) from 0 towards 1, at most ``max_speed`` per frame; ``returns`` adds a part of the way back."""
    turn = max(1, int(frames * rng.uniform(0.55, 0.75))) if returns else frames
    out = _one_way(rng, turn, 1.0, max_speed)
    if not returns:
        return out
    back = _one_way(rng, frames - turn + 1, rng.uniform(0.3, 0.9) * out[-1], max_speed)
    return np.concatenate([out, out[-1] - back[1:]])


def _one_way(rng: np.random.Generator, frames: int, distance: float, max_speed: float) -> Numbers:
    """(frames,) from 0 to ``distance``, never back, at a changing speed with an occasional rest.

    If the largest speed would exceed ``max_speed``, the hand covers a shorter distance.
    """
    steps = np.exp(np.cumsum(rng.normal(0, 0.12, frames)))
    steps = np.clip(steps / np.median(steps), 0.5, 1.8)
    if rng.random() < 0.4:
        start = int(rng.integers(frames))
        steps[start : start + int(rng.integers(5, 15))] = 0.02
    steps[0] = 0.0
    scale = min(distance / max(steps.sum(), 1e-9), max_speed / max(steps.max(), 1e-9))
    return np.asarray(scale * np.cumsum(steps))


def _drift(rng: np.random.Generator, frames: int, deviation: float) -> Numbers:
    """(frames,) slow drift with the given standard deviation, and a tremor with a tenth of it."""
    # One knot per second, with smooth interpolation between them.
    seconds = np.arange(frames) / FRAMES_PER_SECOND
    knots = rng.normal(0, deviation, int(seconds[-1]) + 2)
    before, share = seconds.astype(int), seconds % 1
    share = share * share * (3 - 2 * share)
    slow = knots[before] * (1 - share) + knots[before + 1] * share
    return np.asarray(slow + rng.normal(0, 0.1 * deviation, frames))


def _with_limited_steps(places: Numbers, max_step: float) -> Numbers:
    """(T, D) places in which no step is longer than ``max_step``: longer steps are shortened."""
    steps = np.diff(places, axis=0)
    length = np.linalg.norm(steps, axis=1, keepdims=True)
    steps *= np.minimum(1.0, max_step / np.maximum(length, 1e-9))
    return np.concatenate([places[:1], places[:1] + np.cumsum(steps, axis=0)])
