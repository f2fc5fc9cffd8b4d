"""Tissue that moves with the animal's breath and with the pressure of the probe.

Tissue at the probe moves with the probe, deep tissue moves with the breath. In between, the one decays into the other
over ``MOTION_DECAY_MM`` along the beam. Tissue that is now at a place p of the body, at depth z below the probe's face,
was at p - w(p) at rest, where

    w(p) = breath + (push - breath) exp(-z / MOTION_DECAY_MM)

Everything follows this one map: speckle is read at the place where the tissue was at rest, and objects are moved by the
motion of their centres. They keep their shape and orientation, tubes their length and bend too, so that the section of
a moved object is the section of the ellipsoid that is rendered. Bone does not move.

Amplitudes and rhythms of the breath are from memory, without a source.
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
from synthetic.film.sweep import FRAMES_PER_SECOND

__all__ = ["MOTION_DECAY_MM", "MovingNoise", "TissueMotion", "draw_breath"]

MOTION_DECAY_MM = 30.0
# Fixed-point iterations to invert the map. It changes lengths along the beam by less than (push + breath) /
# MOTION_DECAY_MM, at most an eighth, so that six iterations are exact to a thousandth of a mm.
_ITERATIONS = 6


@dataclass(frozen=True)
class TissueMotion:
    """The motion at B moments. breath, push : (B, 3) mm, of deep tissue and of tissue at the probe

    face, down : (B, 3) the middle of the probe's face in body mm, and the unit vector away from it
    """

    breath: Tensor
    push: Tensor
    face: Tensor
    down: Tensor

    @classmethod
    def of(cls, plane: Plane, pressure_mm: Tensor, breath: Tensor) -> TissueMotion:
        """With probes at planes (B), pressed in by (B,) mm, and breath (B, 3) mm."""
        return cls(breath, pressure_mm[:, None] * plane.down, plane.origin, plane.down)

    def displacement(self, places: Tensor) -> Tensor:
        """(B, ..., 3) mm, w at places (B, ..., 3) of the moved body."""
        row = (len(self.face),) + (1,) * (places.dim() - 2) + (3,)
        # A product per place instead of differences of vectors: a picture has many places.
        z = torch.einsum("b...i,bi->b...", places, self.down) - (self.face * self.down).sum(-1).view(row[:-1])
        decay = torch.exp(-z.clamp(min=0) / MOTION_DECAY_MM)[..., None]
        return self.breath.view(row) + decay * (self.push - self.breath).view(row)

    def moved(self, places: Tensor) -> Tensor:
        """(B, N, 3) where tissue that is at places (B, N, 3) at rest has moved to: the p with p - w(p) = place."""
        moved = places
        for _ in range(_ITERATIONS):
            moved = places + self.displacement(moved)
        return moved

    def moved_animals(self, animal_batch: AnimalBatch) -> AnimalBatch:
        """One animal at B moments, with its soft parts moved."""
        is_fixed = (animal_batch.kinds == Kind.BONE)[..., None]
        return replace(animal_batch, centre=torch.where(is_fixed, animal_batch.centre, self.moved(animal_batch.centre)))


@dataclass(frozen=True)
class MovingNoise(SweepNoise):
    """Noise that moves with the tissue: it is read at the place where the tissue was at rest."""

    motion: TissueMotion

    @classmethod
    def moving(cls, noise: TissueNoise, motion: TissueMotion, across: Tensor) -> MovingNoise:
        """Noise that follows the motion at B moments. across : (B, 3), see SweepNoise"""
        return cls(noise.scatterers, noise.slow, across, motion, model=noise.model)

    def at_rest(self, points: Tensor) -> Tensor:
        return points - self.motion.displacement(points)


def draw_breath(rng: np.random.Generator, frames: int) -> NDArray[np.float64]:
    """(frames, 3) displacement in mm: 1 to 3 mm along one direction of the body, mostly towards head and back.

    Breaths take 1.5 to 3 s, with pauses of up to 4 s between them.
    """
    direction = rng.normal(size=3) * np.array([0.4, 1.0, 1.0])
    direction *= rng.uniform(1, 3) / np.linalg.norm(direction)
    breath, pause = rng.uniform(1.5, 3) * FRAMES_PER_SECOND, rng.uniform(0, 4) * FRAMES_PER_SECOND
    since = (np.arange(frames) + rng.uniform(0, breath + pause)) % (breath + pause)
    filled = np.sin(np.pi * (since / breath).clip(0, 1)) ** 2
    return np.asarray(filled[:, None] * direction)
