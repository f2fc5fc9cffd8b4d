"""The frames before and after a picture, as a sweeping hand would have taken them."""

from __future__ import annotations

import math
from typing import TypeVar

import torch
from torch import Tensor
from torch.nn import functional

from synthetic.acoustics.beam_rendering import Console, Plane
from synthetic.acoustics.geometry import Scanner, View
from synthetic.acoustics.materials import Materials
from synthetic.acoustics.plane_sections import AnimalBatch

__all__ = ["planes_nearby", "repeat_per_frame"]

# A hand moves so far from frame to frame, and now and then rests (no source): 10 mm/s at 60 frames a second is
# 0.17 mm, a hurried 30 mm/s at 20 frames a second 1.5 mm.
_LEAST_STEP_MM, _GREATEST_STEP_MM = 0.1, 1.5
_RESTING = 0.1
_DRIFT_MM = 0.1  # standard deviation along the plane, from frame to frame
_TURN_DEGREES = 0.3  # the same about each axis of the body

_Rows = TypeVar("_Rows", Scanner, Console, View, Materials, AnimalBatch)


def planes_nearby(plane: Plane, frames: int, generator: torch.Generator) -> Plane:
    """(B * frames) planes: of each of B the frames of a short sweep in order, the plane itself in the middle.

    The hand steps across the plane at an even pace of its own, drifts along it and turns a little.
    """
    batch, device = len(plane.origin), plane.origin.device

    def normal() -> Tensor:
        return torch.randn(batch, 3, generator=generator, device=device)

    def uniform() -> Tensor:
        return torch.rand(batch, 1, generator=generator, device=device)

    span = math.log(_GREATEST_STEP_MM / _LEAST_STEP_MM)
    step = _LEAST_STEP_MM * torch.exp(span * uniform()) * torch.sign(uniform() - 0.5)
    moves = uniform() >= _RESTING
    drift = _DRIFT_MM * normal()
    turn = moves * math.radians(_TURN_DEGREES) * normal()  # (B, 3) a rotation vector
    across = torch.linalg.cross(plane.right, plane.down)
    along = drift[:, :1] * plane.right + drift[:, 1:2] * plane.down
    shift = moves * (step * across + along)

    when = torch.arange(frames, device=device) - frames // 2  # frames from the middle one
    places = plane.origin[:, None] + when[:, None] * shift[:, None]  # (B, frames, 3)

    def turned(direction: Tensor) -> Tensor:
        around: Tensor = when[:, None] * torch.linalg.cross(turn, direction)[:, None]
        return direction[:, None] + around

    right = functional.normalize(turned(plane.right), dim=2)
    down = turned(plane.down)
    down = functional.normalize(down - (down * right).sum(2, keepdim=True) * right, dim=2)
    return Plane(places.flatten(0, 1), right.flatten(0, 1), down.flatten(0, 1))


def repeat_per_frame(rows: _Rows, frames: int) -> _Rows:
    """What B pictures share with the frames around them: every row ``frames`` times."""
    return type(rows)(**{name: value.repeat_interleave(frames, 0) for name, value in vars(rows).items()})
