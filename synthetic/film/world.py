"""Named worlds: one choice of each pair of models from which phantoms are made.

A model that has learned in some worlds can be tested in one that it has not seen.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, fields
from itertools import product
from typing import Literal, cast

import numpy as np

from synthetic.acoustics.physics import PhysicsName
from synthetic.errors import PhantomError
from synthetic.film.hand import HandFamily

__all__ = ["PLAIN_WORLD", "ScreenFamily", "World", "all_worlds", "draw_world"]

ScreenFamily = Literal["scattered", "panel"]

_CHOICES = {
    "hand": ("sweeping", "fanning"),
    "physics": ("scatterers", "resolution-cells"),
    "screen": ("scattered", "panel"),
}


@dataclass(frozen=True)
class World:
    """hand : see hand.Hand;  physics : see acoustics.physics

    screen : "scattered" are curved probes with graphics scattered around the sector, "panel" flat and very wide probes
    beside a panel of text
    """

    hand: HandFamily
    physics: PhysicsName
    screen: ScreenFamily

    def document(self) -> dict[str, str]:
        """As in ``animals.json``."""
        return {field.name: getattr(self, field.name) for field in fields(self)}


PLAIN_WORLD = World("sweeping", "scatterers", "scattered")


def draw_world(rng: np.random.Generator, fixed: Mapping[str, str]) -> World:
    """A world in which every pair is a toss-up, except for the parts that are fixed.

    What is fixed changes no other draw. Raises PhantomError for an unknown part or choice.
    """
    for part, name in fixed.items():
        if part not in _CHOICES:
            raise PhantomError(f"A world has no part {part!r}. Its parts are {', '.join(_CHOICES)}.")
        if name not in _CHOICES[part]:
            raise PhantomError(f"There is no {part} {name!r}. Choose {' or '.join(_CHOICES[part])}.")
    drawn = {part: names[int(rng.integers(len(names)))] for part, names in _CHOICES.items()} | dict(fixed)
    return World(
        hand=cast("HandFamily", drawn["hand"]),
        physics=cast("PhysicsName", drawn["physics"]),
        screen=cast("ScreenFamily", drawn["screen"]),
    )


def all_worlds() -> list[dict[str, str]]:
    """The eight worlds, each as parts to fix."""
    return [dict(zip(_CHOICES, names, strict=True)) for names in product(*_CHOICES.values())]
