"""What storing does to a picture: rescaling, interlacing, block coding, and few grey levels."""

from __future__ import annotations

from dataclasses import dataclass

import torch
from torch import Tensor
from torch.nn import functional

from synthetic.appearance.random_settings import Draws
from synthetic.appearance.smoothing import any_active, coarsen, per_picture

__all__ = ["Compression", "compress"]

_BLOCK_SIZES_PX = (4, 8, 16)  # those of coders, and 8 px in a picture that was then scaled to half its size
_BASE_STEP = 0.02  # quantisation step of block coding at full strength, grey (no source)


@dataclass(frozen=True)
class Compression:
    """Each (B,).

    shrink : how much smaller the picture was before it was scaled to the screen, 1 or more
    down, right : the same along each axis, for a scaler that picks single pixels;  use_nearest : bool, whether it then
    repeats them or interpolates
    comb_px : by how much interlacing shifts odd rows to one side and even rows to the other
    blocks : strength of block coding, 0 to 1;  block_px : 4, 8 or 16;  levels : number of grey levels, 0 for all
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
    def draw(cls, draws: Draws) -> Compression:
        """Most pictures are block coded, fewer than half rescaled, few interlaced or kept in few grey levels."""
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


def compress(picture: Tensor, compression: Compression) -> Tensor:
    """(B, 1, H, W) grey as it is read back from storage, in [0, 1]. H and W must be multiples of 16."""
    if any_active(compression.shrink > 1):
        picture = _shrink(picture, compression.shrink)
    for factor, dim in ((compression.down, 2), (compression.right, 3)):
        if any_active(factor > 1):
            picture = coarsen(picture, factor, compression.use_nearest, dim)
    if any_active(compression.comb_px):
        picture = _comb(picture, compression.comb_px)
    for size in _BLOCK_SIZES_PX:
        strength = compression.blocks * (compression.block_px == size)
        if any_active(strength):
            coded = _code_blocks(picture, strength, size)
            picture = torch.where(per_picture(strength > 0), coded, picture)
    if any_active(compression.levels):
        steps = per_picture((compression.levels - 1).clamp(min=1))
        few = torch.round(picture * steps) / steps
        picture = torch.where(per_picture(compression.levels > 0), few, picture)
    return picture.clamp(0, 1)


def _shrink(picture: Tensor, shrink: Tensor) -> Tensor:
    """Each picture blended with itself stored at half its size."""
    small = functional.avg_pool2d(picture, 2)
    back = functional.interpolate(small, scale_factor=2.0, mode="bilinear", align_corners=False)
    return torch.lerp(picture, back, per_picture((shrink - 1).clamp(0, 1)))


def _comb(picture: Tensor, shift_px: Tensor) -> Tensor:
    """Interlaced: rows shifted by ``shift_px`` to either side in turn, so that on average nothing moves."""
    padded = functional.pad(picture, (1, 1, 0, 0), mode="replicate")
    even = torch.arange(picture.shape[2], device=picture.device)[:, None] % 2 == 0
    shifted = torch.where(even, padded[..., :-2], padded[..., 2:])
    return torch.lerp(picture, shifted, per_picture(shift_px))


def _code_blocks(picture: Tensor, strength: Tensor, size: int) -> Tensor:
    """Quantised in size x size cosine blocks, as JPEG and similar coders do; coarser for higher frequencies."""
    k = torch.arange(size, device=picture.device, dtype=picture.dtype)
    basis = torch.cos(torch.pi * (k[None, :] + 0.5) * k[:, None] / size) * (2 / size) ** 0.5
    basis[0] *= 0.5**0.5
    blocks = picture.unflatten(2, (-1, size)).unflatten(4, (-1, size))  # (B, 1, h, size, w, size)
    spectrum = torch.einsum("ui,bchiwj,vj->bchuwv", basis, blocks, basis)
    step = _BASE_STEP + _BASE_STEP * (8 / size) * (k[:, None] + k[None, :])
    step = (step * strength[:, None, None]).clamp(min=1e-5)[:, None, None, :, None, :]
    spectrum = torch.round(spectrum / step) * step
    return torch.einsum("ui,bchuwv,vj->bchiwj", basis, spectrum, basis).flatten(4, 5).flatten(2, 3)
