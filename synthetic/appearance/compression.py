"""What storing does to a picture: scaled to another size and back, woven of two half pictures, coded in blocks, and
kept in few greys.
"""

from __future__ import annotations

from dataclasses import dataclass

import torch
from torch import Tensor
from torch.nn import functional

from synthetic.appearance.random_settings import Draws
from synthetic.appearance.smoothing import any_active, coarsen

__all__ = ["Coding", "store"]

# Blocks of a coder's 8 px or 16 px, and of 8 px in a picture that was then scaled to half its size.
_BLOCK_SIZES = (4, 8, 16)


@dataclass(frozen=True)
class Coding:
    """Each (B,).

    shrink : how much coarser the picture was before it was scaled to the screen, 1 or more
    down, right : as much, along each axis, where the scaler took single pixels;  use_nearest : bool, or doubled them
    comb_px : how far odd rows lie to the one side and even rows to the other
    blocks : strength of block coding, 0 to 1;  block_px : 4, 8 or 16;  levels : steps of grey, 0 for all
    """

    shrink: Tensor
    down: Tensor
    right: Tensor
    use_nearest: Tensor
    comb_px: Tensor
    blocks: Tensor
    block_px: Tensor
    levels: Tensor

    @classmethod
    def draw(cls, draws: Draws) -> Coding:
        """Most pictures were coded, less than half scaled, few woven or kept in few greys."""
        return cls(
            shrink=1 + draws.sometimes(0.35, draws.uniform(0.0, 1.0)),
            down=1 + draws.occasional_fault(0.12, draws.uniform(0.0, 1.0)),
            right=1 + draws.occasional_fault(0.12, draws.uniform(0.0, 1.0)),
            use_nearest=draws.chance(0.4),
            comb_px=draws.occasional_fault(0.06, draws.uniform(0.2, 1.0)),
            blocks=draws.sometimes(0.6, draws.uniform(0.1, 1.0)),
            block_px=2 ** (2 + draws.kind(0.25, 0.6)),
            levels=draws.sometimes(0.07, draws.uniform(12, 64)),
        )


def store(picture: Tensor, coding: Coding) -> Tensor:
    """(B, 1, H, W) grey as it comes back from the store, in [0, 1]; H and W multiples of 16."""

    if any_active(coding.shrink > 1):
        picture = _shrink(picture, coding.shrink)
    for factor, dim in ((coding.down, 2), (coding.right, 3)):
        if any_active(factor > 1):
            picture = coarsen(picture, factor, coding.use_nearest, dim)
    if any_active(coding.comb_px):
        picture = _comb(picture, coding.comb_px)
    for size in _BLOCK_SIZES:
        strength = coding.blocks * (coding.block_px == size)
        if any_active(strength):
            coded = _code_blocks(picture, strength, size)
            picture = torch.where((strength > 0)[:, None, None, None], coded, picture)
    if any_active(coding.levels):
        steps = (coding.levels - 1).clamp(min=1)[:, None, None, None]
        few = torch.round(picture * steps) / steps
        picture = torch.where((coding.levels > 0)[:, None, None, None], few, picture)
    return picture.clamp(0, 1)


def _shrink(picture: Tensor, shrink: Tensor) -> Tensor:
    """Mix each picture with itself stored at half its size."""
    small = functional.avg_pool2d(picture, 2)
    back = functional.interpolate(small, scale_factor=2.0, mode="bilinear", align_corners=False)
    return torch.lerp(picture, back, (shrink - 1).clamp(0, 1)[:, None, None, None])


def _comb(picture: Tensor, shift_px: Tensor) -> Tensor:
    """Weave a picture of two half pictures, ``shift_px`` to either side, so that in the mean nothing moves."""
    padded = functional.pad(picture, (1, 1, 0, 0), mode="replicate")
    even = torch.arange(picture.shape[2], device=picture.device)[:, None] % 2 == 0
    beside = torch.where(even, padded[..., :-2], padded[..., 2:])
    return torch.lerp(picture, beside, shift_px[:, None, None, None])


def _code_blocks(picture: Tensor, strength: Tensor, size: int) -> Tensor:
    """Quantise size x size cosine blocks as JPEG and its kin do; coarser for higher frequencies."""
    k = torch.arange(size, device=picture.device, dtype=picture.dtype)
    basis = torch.cos(torch.pi * (k[None, :] + 0.5) * k[:, None] / size) * (2 / size) ** 0.5
    basis[0] *= 0.5**0.5
    blocks = picture.unflatten(2, (-1, size)).unflatten(4, (-1, size))  # (B, 1, h, size, w, size)
    spectrum = torch.einsum("ui,bchiwj,vj->bchuwv", basis, blocks, basis)
    step = 0.02 + 0.02 * (8 / size) * (k[:, None] + k[None, :])
    step = (step * strength[:, None, None]).clamp(min=1e-5)[:, None, None, :, None, :]
    spectrum = torch.round(spectrum / step) * step
    return torch.einsum("ui,bchuwv,vj->bchiwj", basis, spectrum, basis).flatten(4, 5).flatten(2, 3)
