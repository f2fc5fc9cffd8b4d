"""The motion of a probe in a hand over one prefemoral window: what the hand intends, and what happens to it."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Literal

import numpy as np

from synthetic.anatomy.animal import Animal
from synthetic.errors import PhantomError
from synthetic.film.fanning_hand import Fanning, draw_fanning
from synthetic.film.hand_events import draw_kick, draw_lift_off, draw_slip
from synthetic.film.sweep import Sweep, Window
from synthetic.film.sweeping_hand import Sweeping, draw_sweeping

__all__ = ["PLAIN_HAND", "Hand", "HandFamily", "draw_hand", "draw_sweep"]

HandFamily = Literal["sweeping", "fanning"]
_PLAIN_MOTION = Sweeping()


@dataclass(frozen=True)
class Hand:
    """What happens in one clip. A plain hand only slides, tilts, drifts, trembles and rests.

    motion : what the hand intends
    slips, kicks, lift_offs : how often the probe slips, the animal kicks, and the probe loses the skin
    """

    motion: Sweeping | Fanning = _PLAIN_MOTION
    slips: int = 0
    kicks: int = 0
    lift_offs: int = 0

    def __post_init__(self) -> None:
        if min(self.slips, self.kicks, self.lift_offs) < 0:
            raise PhantomError(f"The numbers of slips, kicks and lift-offs cannot be less than 0: {self}.")


PLAIN_HAND = Hand()


def draw_hand(rng: np.random.Generator, family: HandFamily) -> Hand:
    """A random hand of a family: one in five slips, one in five animals kicks, one in eight fanning hands lifts off."""
    motion = draw_sweeping(rng) if family == "sweeping" else draw_fanning(rng)
    return Hand(
        motion,
        slips=int(rng.random() < 0.2),
        kicks=int(rng.random() < 0.2),
        lift_offs=int(family == "fanning" and rng.random() < 0.125),
    )


def draw_sweep(rng: np.random.Generator, animal: Animal, window: Window, frames: int, hand: Hand = PLAIN_HAND) -> Sweep:
    """A sweep of ``frames`` frames. Raises PhantomError for fewer than two."""
    if frames < 2:
        raise PhantomError(f"A sweep needs at least 2 frames, got {frames}.")
    lift_offs = [draw_lift_off(rng, frames) for _ in range(hand.lift_offs)]
    has_contact = np.ones(frames, dtype=np.bool_)
    for jerk in lift_offs:
        has_contact &= jerk.contact > 0
    # Without contact the hand waits until it has found its place again.
    moments = np.cumsum(has_contact) - 1
    intended = hand.motion.move(rng, animal, max(int(has_contact.sum()), 2)).delayed(moments)

    slides, degrees = intended.slides_mm, intended.degrees
    contact, is_abrupt = np.ones(frames), np.zeros(frames, dtype=np.bool_)
    events = [draw_slip(rng, frames) for _ in range(hand.slips)] + [draw_kick(rng, frames) for _ in range(hand.kicks)]
    for jerk in lift_offs + events:
        slides = slides + jerk.progress[:, None] * jerk.slides_mm
        degrees = degrees + jerk.progress[:, None] * jerk.degrees
        contact = np.minimum(contact, jerk.contact)
        is_abrupt[1:] |= np.diff(jerk.progress) != 0
    return replace(intended, slides_mm=slides, degrees=degrees).sweep(animal, window, contact, is_abrupt)
