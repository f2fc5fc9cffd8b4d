"""A hand that fans the probe to and fro on a small window, as hands do in front of a hind leg.

The fan is a tilt, a short slide or both. After a turn the picture has also turned in its own plane, since the wrist
turns with the hand. All numbers are judgement, without a source, for ``FRAMES_PER_SECOND``.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from synthetic.anatomy.animal import Animal
from synthetic.errors import PhantomError
from synthetic.film.hand_motion import Hold, MotionOfHand, drift, pressing, ramp, uneven_pace
from synthetic.film.sweep import MAX_STEP_MM, MAX_TURN_DEGREES

__all__ = ["MAX_PASS_FRAMES", "MIN_PASS_FRAMES", "Fan", "Fanning", "draw_fanning"]

Fan = Literal["tilt", "tilt and slide", "slide"]
Numbers = NDArray[np.float64]

MIN_PASS_FRAMES, MAX_PASS_FRAMES = 20, 120


@dataclass(frozen=True)
class _FanRanges:
    """Pairs are from, to.

    turn_shares : of clips with 0, 1, 2, 3 and 4 turns
    way_back : of the pass before;  pace : of a pass, so that two passes differ by 0.6 to 1.7
    tilt_degrees, slide_mm : the whole fan
    long_slide_of_carapace, long_slide_of_height : of a hand that only slides, along the body, and up and down
    rest_share : of turns with a rest;  rest_frames : of these;  smooth_share : of the ends of passes at which the hand
    slows down;  smooth_frames : in which it does
    in_step_degrees : in-plane rotation in step with the whole fan
    apart_degrees : mean and standard deviation of the in-plane rotation that each turn adds or takes away
    most_apart_degrees : of all turns together
    apart_frames : in which it does;  back_share : of turns at which this rotation goes the other way than before
    face_slide_mm : along the face, from one end to the other
    """

    turn_shares: tuple[float, ...] = (0.25, 0.35, 0.25, 0.10, 0.05)
    way_back: tuple[float, float] = (0.3, 1.2)
    pace: tuple[float, float] = (0.775, 1.3)
    tilt_degrees: tuple[float, float] = (35, 60)
    slide_mm: tuple[float, float] = (4, 15)
    long_slide_of_carapace: tuple[float, float] = (0.12, 0.2)
    long_slide_of_height: tuple[float, float] = (0.25, 0.45)
    rest_share: float = 0.6
    rest_frames: tuple[int, int] = (4, 16)
    smooth_share: float = 0.5
    smooth_frames: tuple[int, int] = (5, 16)
    in_step_degrees: tuple[float, float] = (-5, 5)
    apart_degrees: tuple[float, float] = (6.9, 1.8)
    most_apart_degrees: float = 12.0
    apart_frames: tuple[int, int] = (10, 30)
    back_share: float = 0.8
    face_slide_mm: tuple[float, float] = (0, 8)


_RANGES = _FanRanges()


@dataclass(frozen=True)
class Fanning:
    """turns : how often the hand turns back, if there are frames for it;  fan : what it does with the probe
    hold : see MotionOfHand. Raises PhantomError for fewer than no turns.
    """

    turns: int = 1
    fan: Fan = "tilt"
    hold: Hold = "across"

    def __post_init__(self) -> None:
        if self.turns < 0:
            raise PhantomError(f"A hand cannot turn back less than 0 times, got {self.turns}.")

    def move(self, rng: np.random.Generator, animal: Animal, frames: int) -> MotionOfHand:
        """The intended motion in ``frames`` frames, 2 or more. With too few of them the fan is smaller."""
        place, turns = _to_and_fro(rng, frames, self.turns)
        tilt, slide = self._extent(rng, animal, float(np.abs(np.diff(place)).max()))
        slides = np.stack(
            [
                place * slide + rng.uniform(-4, 4) + drift(rng, frames, 0.25),
                _wander(rng, frames, rng.uniform(*_RANGES.face_slide_mm)) + drift(rng, frames, 0.25),
            ],
            axis=1,
        )
        slides[:, 1 if self.hold == "across" else 0] += rng.uniform(-0.1, 0.1) * animal.height_mm
        fan = place * tilt + rng.uniform(-6, 6) + drift(rng, frames, 0.6)
        in_plane = place * rng.uniform(*_RANGES.in_step_degrees) + _apart(rng, frames, turns)
        in_plane += rng.uniform(-6, 6) + drift(rng, frames, 0.8)
        twist = rng.uniform(-10, 10) + drift(rng, frames, 0.8)
        degrees = np.stack([twist, fan, in_plane], axis=1)
        return MotionOfHand(self.hold, slides, degrees, pressing(rng, frames), turns).limited()

    def _extent(self, rng: np.random.Generator, animal: Animal, largest_step: float) -> tuple[float, float]:
        """The fan in degrees and in mm, either way round. largest_step : in one frame, as a share of the fan"""
        tilt = 0.0 if self.fan == "slide" else rng.uniform(*_RANGES.tilt_degrees)
        slide = rng.uniform(*_RANGES.slide_mm) if self.fan == "tilt and slide" else 0.0
        if self.fan == "slide":
            across = self.hold == "across"
            shares = _RANGES.long_slide_of_carapace if across else _RANGES.long_slide_of_height
            slide = rng.uniform(*shares) * (animal.carapace_mm if across else animal.height_mm)
        # The remaining 20 % of the largest speed are for the other motions.
        speed = max(tilt / MAX_TURN_DEGREES, slide / MAX_STEP_MM) * largest_step
        scale = min(1.0, 0.8 / speed) * rng.choice([-1.0, 1.0])
        return tilt * scale, slide * scale


def draw_fanning(rng: np.random.Generator) -> Fanning:
    """Turns as in ``_FanRanges``; half tilt only, one in three also slides; three in four hold it across the body."""
    return Fanning(
        turns=int(rng.choice(len(_RANGES.turn_shares), p=_RANGES.turn_shares)),
        fan=("tilt", "tilt and slide", "slide")[int(rng.choice(3, p=[0.5, 0.33, 0.17]))],
        hold="across" if rng.random() < 0.75 else "along",
    )


def _to_and_fro(rng: np.random.Generator, frames: int, turns: int) -> tuple[Numbers, tuple[int, ...]]:
    """(frames,) place in the fan, from -0.5 to 0.5 at its ends, and the turns."""
    turns = min(turns, (frames - 1) // 4)
    rests = np.where(rng.random(turns) < _RANGES.rest_share, rng.integers(*_RANGES.rest_frames, turns), 0)
    rests = np.minimum(rests, frames // (4 * max(turns, 1)))
    counts, distances = _draw_passes(rng, frames - 1 - int(rests.sum()), turns + 1)
    steps: list[Numbers] = []
    turn_frames, frame, way = [], 0, 1.0
    for index, (count, distance) in enumerate(zip(counts, distances, strict=True)):
        pace = _pace_of_pass(rng, int(count))
        steps.append(way * distance * pace / pace.sum())
        frame, way = frame + int(count), -way
        if index < turns:
            rest = int(rests[index])
            steps.append(np.zeros(rest))
            turn_frames.append(frame + rest // 2)
            frame += rest
    place = np.concatenate([[0.0], np.cumsum(np.concatenate(steps))])
    low, high = place.min(), place.max()
    return np.asarray((place - (low + high) / 2) / (high - low)), tuple(turn_frames)


def _draw_passes(rng: np.random.Generator, frames: int, passes: int) -> tuple[NDArray[np.int64], Numbers]:
    """Frames of each pass, which add up to ``frames``, and its distance, that of the first being 1.

    Of many draws the first one is taken whose passes are neither too short nor too long; if none is, the best one.
    """
    backs = rng.uniform(*_RANGES.way_back, (200, passes - 1))
    distances = np.cumprod(np.concatenate([np.ones((200, 1)), backs], axis=1), axis=1)
    slowest, fastest = _RANGES.pace
    paces = np.exp(rng.uniform(np.log(slowest), np.log(fastest), (200, passes)))
    shares = distances / paces
    # At least one frame each, also in the shortest clips.
    exact = 1 + (frames - passes) * shares / shares.sum(axis=1, keepdims=True)
    fit = np.minimum(exact.min(axis=1) / MIN_PASS_FRAMES, MAX_PASS_FRAMES / exact.max(axis=1)).clip(max=1)
    best = int(fit.argmax())
    ends = np.floor(np.cumsum(exact[best]) + 1e-6).astype(np.int64)
    return np.diff(ends, prepend=0), distances[best]


def _pace_of_pass(rng: np.random.Generator, frames: int) -> Numbers:
    """(frames,) relative speed in each frame of a pass, above 0."""
    pace = uneven_pace(rng, frames, 0.06)
    if rng.random() < 0.15:
        start = int(rng.integers(frames))
        pace[start : start + int(rng.integers(5, 13))] = 0.02
    to_ends = np.arange(1, frames + 1), np.arange(frames, 0, -1)
    for since in to_ends:
        if rng.random() < _RANGES.smooth_share:
            pace *= (since / min(int(rng.integers(*_RANGES.smooth_frames)), max(frames // 3, 1))).clip(max=1)
    return np.asarray(pace)


def _apart(rng: np.random.Generator, frames: int, turns: tuple[int, ...]) -> Numbers:
    """(frames,) degrees of in-plane rotation that go with the turns and not with the place in the fan."""
    degrees, way = np.zeros(frames), rng.choice([-1.0, 1.0])
    for turn in turns:
        within = int(rng.integers(*_RANGES.apart_frames))
        degrees += way * rng.normal(*_RANGES.apart_degrees) * ramp(frames, turn - within // 2, within)
        way *= -1.0 if rng.random() < _RANGES.back_share else 1.0
    degrees *= min(1.0, _RANGES.most_apart_degrees / max(np.ptp(degrees), 1e-9))
    return np.asarray(degrees - (degrees.min() + degrees.max()) / 2)


def _wander(rng: np.random.Generator, frames: int, extent: float) -> Numbers:
    """(frames,) a slow way about 0 that is ``extent`` long from one end to the other."""
    phase = 2 * np.pi * (np.arange(frames) / rng.uniform(60, 200) + rng.random())
    slow = np.sin(phase) + rng.uniform(0.2, 0.8) * np.sin(rng.uniform(1.4, 2.3) * phase + rng.uniform(0, 6))
    return np.asarray(extent * (slow - (slow.max() + slow.min()) / 2) / max(np.ptp(slow), 0.5))
