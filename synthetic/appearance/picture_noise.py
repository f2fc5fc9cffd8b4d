"""Noise that enters a picture after the beams: from cables, frame grabbers and cameras."""

from __future__ import annotations

from dataclasses import dataclass

import torch
from torch import Tensor

from synthetic.appearance.random_settings import Draws
from synthetic.appearance.smoothing import any_active, per_picture

__all__ = ["PictureNoise", "add_noise"]


@dataclass(frozen=True)
class PictureNoise:
    """Each (B,) float32.

    grain : standard deviation of grey;  multiplicative : the same as a share of the grey that is there
    salt : share of single pixels that are white or black;  streaks : standard deviation of the grey of a few rows
    """

    grain: Tensor
    multiplicative: Tensor
    salt: Tensor
    streaks: Tensor

    @classmethod
    def draw(cls, draws: Draws) -> PictureNoise:
        """Two in five pictures have some grain; dead pixels and streaks are rare."""
        return cls(
            grain=draws.sometimes(0.4, draws.uniform(0.0, 0.04)),
            multiplicative=draws.sometimes(0.25, draws.uniform(0.02, 0.2)),
            salt=draws.occasional_fault(0.06, draws.uniform(0.0005, 0.01)),
            streaks=draws.occasional_fault(0.06, draws.uniform(0.02, 0.2)),
        )


def add_noise(picture: Tensor, noise: PictureNoise, generator: torch.Generator) -> Tensor:
    """(B, 1, H, W) grey with the noise added, in [0, 1]."""
    device = picture.device

    if any_active(noise.grain + noise.multiplicative):
        normal = torch.randn(picture.shape, generator=generator, device=device)
        picture = picture + normal * (per_picture(noise.grain) + per_picture(noise.multiplicative) * picture)
    if any_active(noise.streaks):
        normal = torch.randn(picture.shape[:3], generator=generator, device=device)
        some = torch.rand(picture.shape[:3], generator=generator, device=device) < 0.04
        picture = picture + (noise.streaks[:, None, None] * some * normal)[..., None]
    if any_active(noise.salt):
        chance = torch.rand(picture.shape, generator=generator, device=device)
        rate = per_picture(noise.salt)
        picture = torch.where(chance < rate, (chance < 0.7 * rate).float(), picture)
    return picture.clamp(0, 1)
