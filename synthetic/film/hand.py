"""A hand that sweeps a probe over one prefemoral window.

Body coordinates as in `synthetic.anatomy`. The probe stands on the soft skin before a hind leg and looks inward; the
scan plane is upright, and the hand slides and tilts it from tail to head. No hand is steady: it slows, rests, drifts,
trembles, presses now more and now less, rocks the probe on its face, and sometimes goes back. What is sudden is not
the hand's will: the probe slips on the gel, or the animal kicks, and that may break the contact.

All numbers of hands are common practice, without a source, at ``FRAMES_PER_SECOND``.
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
# What a hand does of its own will from one frame to the next: over the skin (pressing comes on top), and turning.
MAX_STEP_MM = 1.5
MAX_TURN_DEGREES = 2.5
_FASTEST_PRESSING_MM = 0.4


@dataclass(frozen=True)
class Hand:
    """What happens to a hand during one clip. A plain hand only slides, tilts, drifts, trembles and rests.

    returns : it comes back part of the way;  rocks : it rocks the probe to and fro on its face
    slips, kicks : how often the probe slips, and how often the animal kicks
    """

    returns: bool = False
    rocks: bool = False
    slips: int = 0
    kicks: int = 0

    def __post_init__(self) -> None:
        if min(self.slips, self.kicks) < 0:
            raise PhantomError(f"A hand cannot slip, nor an animal kick, fewer than 0 times: {self}.")


PLAIN_HAND = Hand()


@dataclass(frozen=True)
class Sweep:
    """Where the probe is in each of T frames.

    origins (T, 3) mm, the middle of the face; rights, downs (T, 3) unit vectors along the face and away from it
    pressure_mm (T,) how much deeper than usual the face is pressed in (below 0: less deep); origins have it in them
    contact (T,) how much of the face touches, 0 to 1
    is_abrupt (T,) bool, frames to which a slip or a kick brought the probe; all others keep to the fastest of a hand
    """

    window: Window
    origins: Numbers
    rights: Numbers
    downs: Numbers
    pressure_mm: Numbers
    contact: Numbers
    is_abrupt: NDArray[np.bool_]


def draw_hand(rng: np.random.Generator) -> Hand:
    """A hand as one meets it: one in five returns, and what disturbs is not rare."""
    return Hand(
        returns=bool(rng.random() < 0.2),
        rocks=bool(rng.random() < 0.3),
        slips=int(rng.random() < 0.2),
        kicks=int(rng.random() < 0.2),
    )


def draw_sweep(rng: np.random.Generator, animal: Animal, window: Window, frames: int, hand: Hand = PLAIN_HAND) -> Sweep:
    """A sweep of ``frames`` frames.

    A hand is only so fast: where the frames are few, it covers less, in the middle of its way. Raises PhantomError
    for fewer than two frames.
    """
    if frames < 2:
        raise PhantomError(f"A sweep needs at least 2 frames, got {frames}.")
    slide = rng.uniform(0.08, 0.13) * animal.carapace_mm
    tilt = rng.uniform(14, 22)
    # The rest of the fastest pace is for drift and tremor.
    pace = 0.8 * min(MAX_STEP_MM / (2 * slide), MAX_TURN_DEGREES / (2 * tilt))
    along = _course(rng, frames, pace, returns=hand.returns)
    along = 2 * along - along.max()
    along *= rng.choice([-1.0, 1.0])

    # Along the body, from belly to back (mm); yaw, pitch, and roll about the beam (degrees).
    skin = np.stack(
        [
            along * slide + _wander(rng, frames, 0.25),
            rng.uniform(-0.1, 0.1) * animal.height_mm + _wander(rng, frames, 1.5),
        ],
        axis=1,
    )
    angles = np.stack(
        [
            along * tilt + rng.uniform(-4, 4) + _wander(rng, frames, 1.0),
            rng.uniform(-8, 8) + _wander(rng, frames, 1.5),
            rng.uniform(-10, 10) + _wander(rng, frames, 1.0),
        ],
        axis=1,
    )
    if hand.rocks:
        # In the scan plane, as a probe rocks on a curved face; at its fastest 8 degrees x 2 pi / 30 frames.
        swing = 2 * np.pi * (np.arange(frames) / rng.uniform(30, 60) + rng.random())
        angles[:, 1] += rng.uniform(3, 8) * np.sin(swing)
    skin, angles = _unhurried(skin, MAX_STEP_MM), _unhurried(angles, MAX_TURN_DEGREES)
    pressure = _unhurried(_wander(rng, frames, 0.8)[:, None], _FASTEST_PRESSING_MM)[:, 0].clip(-2, 2)

    contact, is_abrupt = np.ones(frames), np.zeros(frames, dtype=bool)
    for event in (_slip,) * hand.slips + (_kick,) * hand.kicks:
        moved = event(rng, frames)
        skin += moved.course[:, None] * moved.skin_mm
        angles += moved.course[:, None] * moved.degrees
        contact = np.minimum(contact, moved.contact)
        is_abrupt[1:] |= np.diff(moved.course) != 0
    return _placed(animal, window, skin, np.deg2rad(angles), pressure, contact, is_abrupt)


def _placed(
    animal: Animal,
    window: Window,
    skin: Numbers,
    angles: Numbers,
    pressure: Numbers,
    contact: Numbers,
    is_abrupt: NDArray[np.bool_],
) -> Sweep:
    """From places on the skin and angles in radians to vectors in the body."""
    inward = 1.0 if window == "left" else -1.0
    yaw, pitch, roll = angles.T
    nothing = np.zeros_like(yaw)
    downs = np.stack([inward * np.cos(yaw) * np.cos(pitch), np.sin(yaw) * np.cos(pitch), np.sin(pitch)], axis=1)
    # The face runs from belly to back, turned a little about the beam.
    upward = np.stack([nothing, np.sin(roll), np.cos(roll)], axis=1)
    rights = upward - (upward * downs).sum(axis=1, keepdims=True) * downs
    rights /= np.linalg.norm(rights, axis=1, keepdims=True)
    face = np.stack([nothing - inward * 0.45 * animal.width_mm, *skin.T], axis=1)
    return Sweep(window, face + pressure[:, None] * downs, rights, downs, pressure, contact, is_abrupt)


@dataclass(frozen=True)
class _Jerk:
    """course (T,): the share of ``skin_mm`` (2,) and ``degrees`` (3,) that has been gone;  contact (T,)."""

    course: Numbers
    skin_mm: Numbers
    degrees: Numbers
    contact: Numbers


def _slip(rng: np.random.Generator, frames: int) -> _Jerk:
    """The probe slides several mm in 2 to 4 frames, mostly along the body, and stays there."""
    start = int(rng.integers(frames - 1))
    course = _ramp(frames, start, int(rng.integers(2, 5)))
    skin = rng.choice([-1.0, 1.0]) * rng.uniform(3, 8) * np.array([1.0, rng.uniform(-0.6, 0.6)])
    return _Jerk(course, skin, rng.uniform(-4, 4, 3), np.ones(frames))


def _kick(rng: np.random.Generator, frames: int) -> _Jerk:
    """The whole body jerks against the probe in 2 or 3 frames and, slower, nearly back; often the contact breaks."""
    start, out, back = int(rng.integers(frames - 1)), int(rng.integers(2, 4)), int(rng.integers(6, 13))
    course = _ramp(frames, start, out) - rng.uniform(0.7, 1.0) * _ramp(frames, start + out, back)
    way = rng.normal(size=2)
    skin = rng.uniform(3, 9) * way / np.linalg.norm(way)
    contact = np.ones(frames)
    if rng.random() < 0.6:
        lost = _ramp(frames, start, 2) - _ramp(frames, start + int(rng.integers(3, 9)), 3)
        contact -= rng.uniform(0.6, 1.0) * lost
    return _Jerk(course, skin, rng.uniform(-7, 7, 3), contact)


def _ramp(frames: int, start: int, length: int) -> Numbers:
    """(frames,) 0 up to frame ``start``, then smoothly to 1 within ``length`` frames."""
    share = ((np.arange(frames) - start) / length).clip(0, 1)
    return np.asarray(share * share * (3 - 2 * share))


def _course(rng: np.random.Generator, frames: int, pace: float, *, returns: bool) -> Numbers:
    """(frames,) from 0 towards 1, never faster than ``pace``; with ``returns``, part of the way back in the end."""
    turn = max(1, int(frames * rng.uniform(0.55, 0.75))) if returns else frames
    out = _hurry(rng, turn, 1.0, pace)
    if not returns:
        return out
    back = _hurry(rng, frames - turn + 1, rng.uniform(0.3, 0.9) * out[-1], pace)
    return np.concatenate([out, out[-1] - back[1:]])


def _hurry(rng: np.random.Generator, frames: int, way: float, pace: float) -> Numbers:
    """(frames,) from 0 to ``way``, never back: a pace that changes, with a rest now and then.

    Where the hand would have to be faster than ``pace`` at its hastiest, it gets less far.
    """
    steps = np.exp(np.cumsum(rng.normal(0, 0.12, frames)))
    steps = np.clip(steps / np.median(steps), 0.5, 1.8)
    if rng.random() < 0.4:
        start = int(rng.integers(frames))
        steps[start : start + int(rng.integers(5, 15))] = 0.02
    steps[0] = 0.0
    scale = min(way / max(steps.sum(), 1e-9), pace / max(steps.max(), 1e-9))
    return np.asarray(scale * np.cumsum(steps))


def _wander(rng: np.random.Generator, frames: int, deviation: float) -> Numbers:
    """(frames,) slow drift of the given standard deviation, with a tenth of it as tremor."""
    # A knot each second, and the way between two of them without a corner.
    place = np.arange(frames) / FRAMES_PER_SECOND
    knots = rng.normal(0, deviation, int(place[-1]) + 2)
    before, share = place.astype(int), place % 1
    share = share * share * (3 - 2 * share)
    slow = knots[before] * (1 - share) + knots[before + 1] * share
    return np.asarray(slow + rng.normal(0, 0.1 * deviation, frames))


def _unhurried(places: Numbers, fastest: float) -> Numbers:
    """(T, D) places, no two neighbours further apart than ``fastest``: longer steps are cut short."""
    steps = np.diff(places, axis=0)
    length = np.linalg.norm(steps, axis=1, keepdims=True)
    steps *= np.minimum(1.0, fastest / np.maximum(length, 1e-9))
    return np.concatenate([places[:1], places[:1] + np.cumsum(steps, axis=0)])
