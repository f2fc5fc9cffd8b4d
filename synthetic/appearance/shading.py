"""Smooth unevenness of a whole picture that no gain explains: fields of brightness and of gamma.

Such fields are enough for networks trained on synthetic pictures alone to read real ones of other contrasts
(Billot et al., SynthSeg, Med Image Anal 86:102789, 2023; the strengths here are our own).
"""

from __future__ import annotations

from dataclasses import dataclass

import torch
from torch import Tensor
from torch.nn import functional

from synthetic.appearance.random_settings import Draws
from synthetic.appearance.smoothing import any_active

__all__ = ["Shading", "shade"]

_GRID = 4  # places of a field along each side of the picture


@dataclass(frozen=True)
class Shading:
    """Logarithms at 4 x 4 places of the picture.

    brightness : (B, 4, 4) of a factor;  gamma : (B, 4, 4) of an exponent
    """

    brightness: Tensor
    gamma: Tensor

    @classmethod
    def draw(cls, draws: Draws) -> Shading:
        """Brightness changes by a factor of up to about 2, gamma by less."""

        def field(share: float, most: float) -> Tensor:
            strength = draws.sometimes(share, draws.uniform(0.0, most))
            return strength[:, None, None] * draws.normal(_GRID, _GRID).clamp(-2, 2)

        return cls(brightness=field(0.35, 0.4), gamma=field(0.3, 0.35))


def shade(picture: Tensor, shading: Shading) -> Tensor:
    """(B, 1, H, W) grey in [0, 1] with its fields applied."""
    if not any_active(shading.brightness) and not any_active(shading.gamma):
        return picture
    fields = torch.stack([shading.brightness, shading.gamma], dim=1)
    fields = functional.interpolate(fields, size=picture.shape[2:], mode="bilinear", align_corners=True).exp()
    return (picture.clamp(0, 1) ** fields[:, 1:] * fields[:, :1]).clamp(0, 1)
