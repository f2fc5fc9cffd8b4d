"""Tissue that moves: with the animal's breath, and with the pressure of the probe.

What touches the probe goes with it and what lies deep goes with the breath; between them the one fades into the
other over ``MOTION_DECAY_MM`` along the beam. At a place p of the body, with z its depth below the probe's face, tissue
has come from p - w(p), where

    w(p) = breath + (push - breath) exp(-z / MOTION_DECAY_MM)

All that is drawn follows this one map: speckle is read where the tissue came from, and the objects are moved to where
their centres went. They keep their shape and attitude, so that a section of a moved object is a section of the
ellipsoid that is drawn. Bone does not move.

Sizes and rhythms of the breath from memory, without a source.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
import torch
from numpy.typing import NDArray
from torch import Tensor

from synthetic.acoustics.beam_rendering import Plane
from synthetic.acoustics.plane_sections import AnimalBatch
from synthetic.acoustics.tissue import SweepNoise, TissueNoise
from synthetic.anatomy.bodies import Kind
from synthetic.film.hand import FRAMES_PER_SECOND

__all__ = ["MOTION_DECAY_MM", "MovingNoise", "TissueMotion", "draw_breath", "without_breath"]

MOTION_DECAY_MM = 30.0
# The map shrinks lengths along the beam by less than (push + breath) / MOTION_DECAY_MM, an eighth at the most: a few steps
# of w(w(...)) end closer than a thousandth of a mm.
_STEPS = 6


@dataclass(frozen=True)
class TissueMotion:
    """Of B moments. breath, push : (B, 3) mm, of what lies deep and of what touches the probe

    face, down : (B, 3) the middle of the probe's face in body mm, and the unit vector away from it
    """

    breath: Tensor
    push: Tensor
    face: Tensor
    down: Tensor

    @classmethod
    def of(cls, plane: Plane, pressure_mm: Tensor, breath: Tensor) -> TissueMotion:
        """Under a probe at planes (B) that presses by (B,) mm, with the breath at (B, 3) mm."""
        return cls(breath, pressure_mm[:, None] * plane.down, plane.origin, plane.down)

    def displacement(self, places: Tensor) -> Tensor:
        """(B, ..., 3) w at places (B, ..., 3) of the moved body, mm."""
        row = (len(self.face),) + (1,) * (places.dim() - 2) + (3,)
        # One product each, and not a sum over differences: a picture has many places.
        z = torch.einsum("b...i,bi->b...", places, self.down) - (self.face * self.down).sum(-1).view(row[:-1])
        fading = torch.exp(-z.clamp(min=0) / MOTION_DECAY_MM)[..., None]
        return self.breath.view(row) + fading * (self.push - self.breath).view(row)

    def moved(self, places: Tensor) -> Tensor:
        """Where tissue of places (B, N, 3) at rest has gone: the p with p - w(p) = place."""
        there = places
        for _ in range(_STEPS):
            there = places + self.displacement(there)
        return there

    def moved_animals(self, animal_batch: AnimalBatch) -> AnimalBatch:
        """One animal at B moments, its soft parts moved."""
        fixed = (animal_batch.kinds == Kind.BONE)[..., None]
        return replace(animal_batch, centre=torch.where(fixed, animal_batch.centre, self.moved(animal_batch.centre)))


@dataclass(frozen=True)
class MovingNoise(SweepNoise):
    """Noise that goes with the tissue: it knows from where what lies at a place of the moved body came."""

    motion: TissueMotion

    @classmethod
    def moving(cls, noise: TissueNoise, motion: TissueMotion, across: Tensor) -> MovingNoise:
        """With the tissue of B moments; across (B, 3) see SweepNoise."""
        return cls(noise.scatterers, noise.slow, across, motion)

    def at_rest(self, points: Tensor) -> Tensor:
        return points - self.motion.displacement(points)


def draw_breath(rng: np.random.Generator, frames: int) -> NDArray[np.float64]:
    """(frames, 3) mm from where tissue rests: 1 to 3 mm along the body's axes, mostly towards head and back.

    Slow breaths of 1.5 to 3 s with a rest of up to 4 s between them.
    """
    way = rng.normal(size=3) * np.array([0.4, 1.0, 1.0])
    way *= rng.uniform(1, 3) / np.linalg.norm(way)
    breath, rest = rng.uniform(1.5, 3) * FRAMES_PER_SECOND, rng.uniform(0, 4) * FRAMES_PER_SECOND
    since = (np.arange(frames) + rng.uniform(0, breath + rest)) % (breath + rest)
    filled = np.sin(np.pi * (since / breath).clip(0, 1)) ** 2
    return np.asarray(filled[:, None] * way)


def without_breath(frames: int) -> NDArray[np.float64]:
    """(frames, 3) zeros: an animal that holds its breath."""
    return np.zeros((frames, 3))
