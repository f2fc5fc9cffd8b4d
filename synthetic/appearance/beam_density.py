"""How many beams and samples a machine makes a picture of, and how many looks it takes the mean of."""

from __future__ import annotations

import math
from dataclasses import dataclass

import torch
from torch import Tensor

from synthetic.appearance.random_settings import Draws
from synthetic.appearance.smoothing import any_active, blur, coarsen

__all__ = ["BeamDensity", "resample"]


@dataclass(frozen=True)
class BeamDensity:
    """Each (B,).

    lines, samples : of those rendered how many go into one of the machine's, 1 or more
    use_nearest : bool, whether a beam is drawn as wide as it is or fades into the next
    compounding_lines, compounding_samples : lines and samples over which echoes of several looks are averaged, 0 for a single look:
    what compounding of angles leaves of the speckle
    persistence : share of what was shown before in each frame of a clip, see persistence.Persistence
    """

    lines: Tensor
    samples: Tensor
    use_nearest: Tensor
    compounding_lines: Tensor
    compounding_samples: Tensor
    persistence: Tensor

    @classmethod
    def draw(cls, draws: Draws) -> BeamDensity:
        """From a picture of all beams to one of a third of them."""
        return cls(
            lines=1 + draws.sometimes(0.35, draws.uniform(0.0, 2.2)),
            samples=1 + draws.sometimes(0.2, draws.uniform(0.0, 1.2)),
            use_nearest=draws.chance(0.2),
            compounding_lines=(compounded := draws.sometimes(0.35, draws.uniform(0.4, 1.6))),
            compounding_samples=compounded * draws.uniform(0.2, 1.0),
            persistence=draws.sometimes(0.4, draws.uniform(0.0, 0.5)),
        )


def resample(echo_db: Tensor, density: BeamDensity) -> Tensor:
    """(B, L, S) echoes in dB as a machine of that density has them, on the same grid."""
    echo_db = _average_looks(echo_db, density)
    for factor, use_nearest, dim in (
        (density.lines, density.use_nearest, 1),
        (density.samples, torch.zeros_like(density.use_nearest), 2),
    ):
        if any_active(factor > 1):
            echo_db = coarsen(echo_db, factor, use_nearest, dim)
    return echo_db


def _average_looks(echo_db: Tensor, density: BeamDensity) -> Tensor:
    if not any_active(density.compounding_lines):
        return echo_db
    power = torch.exp(echo_db * (math.log(10) / 10))[:, None]
    power = blur(power, density.compounding_lines, density.compounding_samples)[:, 0]
    return torch.log(power + 1e-10) * (10 / math.log(10))
