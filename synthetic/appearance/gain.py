"""How unevenly a machine's gain is set: along the depth (time gain compensation, TGC) and from beam to beam."""

from __future__ import annotations

from dataclasses import dataclass

import torch
from torch import Tensor

from synthetic.appearance.random_settings import Draws
from synthetic.appearance.smoothing import interpolate_linear

__all__ = ["Gain", "apply_gain"]

_SLIDERS = 8
_BEAM_GROUPS = 5


@dataclass(frozen=True)
class Gain:
    """Errors of the gain.

    tgc_db : (B, 8) of the TGC sliders, from the face down
    lateral_db : (B, 5) from left to right, as when the face is pressed on unevenly
    near_db : (B,) excess at the face;  near_share : (B,) share of the depth within which it decays by e
    """

    tgc_db: Tensor
    lateral_db: Tensor
    near_db: Tensor
    near_share: Tensor

    @classmethod
    def draw(cls, draws: Draws) -> Gain:
        """TGC sliders off by up to about 8 dB, beams by up to about 6 dB in a slope and 5 dB in waves."""
        sliders = draws.sometimes(0.5, draws.uniform(0.5, 4.5))[:, None] * draws.normal(_SLIDERS).clamp(-1.8, 1.8)
        slope = draws.sometimes(0.25, draws.uniform(1.0, 6.0))[:, None] * draws.normal(1).clamp(-1, 1)
        waves = draws.sometimes(0.2, draws.uniform(0.5, 2.5))[:, None] * draws.normal(_BEAM_GROUPS).clamp(-2, 2)
        across = torch.linspace(-1, 1, _BEAM_GROUPS, device=slope.device)
        return cls(
            tgc_db=sliders,
            lateral_db=slope * across + waves,
            near_db=draws.occasional_fault(0.25, draws.uniform(4, 20)),
            near_share=draws.uniform(0.02, 0.1),
        )


def apply_gain(echo_db: Tensor, gain: Gain) -> Tensor:
    """(B, L, S) echoes in dB with the errors of the gain added."""
    lines, samples = echo_db.shape[1:]
    depth = (torch.arange(samples, device=echo_db.device) + 0.5) / samples
    along = _interpolated(gain.tgc_db, samples)
    along = along + gain.near_db[:, None] * torch.exp(-depth / gain.near_share[:, None])
    return echo_db + (_interpolated(gain.lateral_db, lines)[:, :, None] + along[:, None, :])


def _interpolated(values: Tensor, number: int) -> Tensor:
    """(B, n) values, interpolated linearly at ``number`` places."""
    return interpolate_linear(values[:, None], number, align_corners=True)[:, 0]
