"""How many beams and samples a machine makes a picture of, and over how many angles it compounds."""

from __future__ import annotations

from dataclasses import dataclass

import torch
from torch import Tensor

from synthetic.appearance.random_settings import Draws
from synthetic.appearance.smoothing import any_active, blur, coarsen
from synthetic.decibels import DB_PER_NEPER, power_from_db

__all__ = ["BeamDensity", "resample"]

_MIN_POWER = 1e-10  # -100 dB


@dataclass(frozen=True)
class BeamDensity:
    """Each (B,).

    lines, samples : how many of those rendered make one of the machine's, 1 or more
    use_nearest : bool, whether a beam is drawn as wide as it is; otherwise it fades into the next
    compounding_lines, compounding_samples : over how many lines and samples echoes are averaged, as compounding of
    several angles averages the speckle; 0 for a single angle
    persistence : share of the frames before in each frame of a clip, see persistence.Persistence
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
            compounding_lines=(compounding := draws.sometimes(0.35, draws.uniform(0.4, 1.6))),
            compounding_samples=compounding * draws.uniform(0.2, 1.0),
            persistence=draws.sometimes(0.4, draws.uniform(0.0, 0.5)),
        )


def resample(echo_db: Tensor, density: BeamDensity) -> Tensor:
    """(B, L, S) echoes in dB as a machine of that density has them, on the same grid."""
    echo_db = _compound(echo_db, density)
    for factor, use_nearest, dim in (
        (density.lines, density.use_nearest, 1),
        (density.samples, torch.zeros_like(density.use_nearest), 2),
    ):
        if any_active(factor > 1):
            echo_db = coarsen(echo_db, factor, use_nearest, dim)
    return echo_db


def _compound(echo_db: Tensor, density: BeamDensity) -> Tensor:
    """The echoes with their power averaged over neighbours."""
    if not any_active(density.compounding_lines):
        return echo_db
    power = power_from_db(echo_db)[:, None]
    power = blur(power, density.compounding_lines, density.compounding_samples)[:, 0]
    # Not db_from_power: it rounds differently, and pictures of a seed must stay the same to the bit.
    return torch.log(power + _MIN_POWER) * (DB_PER_NEPER / 2)
