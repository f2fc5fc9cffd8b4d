"""What makes one scanner look unlike another: from echoes in dB to grey on a screen, batched in torch.

Wide and cheap on purpose: a network trained on one scanner's look learns that look.
"""

from __future__ import annotations

from dataclasses import dataclass

import torch
from torch import Tensor
from torch.nn import functional

__all__ = ["Look", "draw_look", "draw_overlays", "dress", "to_grey"]


@dataclass(frozen=True)
class Look:
    """Each (B,) float32.

    dynamic_range_db : between black and white;  level : grey of mean soft tissue, 0 to 1
    gamma, contrast : of the grey map;  smooth_px, sharpen : speckle reduction and edge filter
    grain : noise added at the end;  blocks : strength of 8 x 8 block coding, 0 to 1
    shrink : how much coarser the picture was before it was scaled to the screen, 1 or more
    """

    dynamic_range_db: Tensor
    level: Tensor
    gamma: Tensor
    contrast: Tensor
    smooth_px: Tensor
    sharpen: Tensor
    grain: Tensor
    blocks: Tensor
    shrink: Tensor


def draw_look(batch: int, generator: torch.Generator, *, spread: float = 1.0) -> Look:
    """Looks of ``batch`` different scanners, on the generator's device.

    spread : share of the ranges, about their middles, from which is drawn: less for machines that are set with care
    """

    def uniform(low: float, high: float) -> Tensor:
        share = 0.5 + spread * (torch.rand(batch, generator=generator, device=generator.device) - 0.5)
        return low + (high - low) * share

    def sometimes(share: float, values: Tensor) -> Tensor:
        chosen = torch.rand(batch, generator=generator, device=generator.device) < share
        return torch.where(chosen, values, torch.zeros_like(values))

    return Look(
        dynamic_range_db=uniform(38, 85),
        level=uniform(0.12, 0.62),
        gamma=torch.exp(uniform(-0.45, 0.45)),
        contrast=sometimes(0.5, uniform(-0.5, 1.0)),
        smooth_px=sometimes(0.65, uniform(0.3, 2.2)),
        sharpen=sometimes(0.35, uniform(0.2, 1.2)),
        grain=sometimes(0.4, uniform(0.0, 0.04)),
        blocks=sometimes(0.6, uniform(0.1, 1.0)),
        shrink=1 + sometimes(0.4, uniform(0.0, 1.2)),
    )


def to_grey(echo_db: Tensor, look: Look) -> Tensor:
    """(B, L, S) echoes in dB against soft tissue -> grey in [0, 1], still along beams."""
    span = look.dynamic_range_db[:, None, None]
    grey = (echo_db / span + look.level[:, None, None]).clamp(0, 1)
    grey = grey ** look.gamma[:, None, None]
    # A smooth step towards an S-shaped map; negative values flatten the middle.
    bent = grey * grey * (3 - 2 * grey)
    return (grey + look.contrast[:, None, None] * (bent - grey)).clamp(0, 1)


def dress(picture: Tensor, look: Look, generator: torch.Generator) -> Tensor:
    """(B, 1, H, W) grey in [0, 1] -> the same with the scanner's and the recorder's filters; H and W multiples of 8."""
    picture = _blur(picture, look.smooth_px)
    blurred = _blur(picture, torch.full_like(look.sharpen, 1.5))
    picture = picture + look.sharpen[:, None, None, None] * (picture - blurred)
    picture = _coarsen(picture, look.shrink)
    noise = torch.randn(picture.shape, generator=generator, device=picture.device)
    picture = (picture + look.grain[:, None, None, None] * noise).clamp(0, 1)
    return _block_code(picture, look.blocks).clamp(0, 1)


def _blur(picture: Tensor, sigma_px: Tensor) -> Tensor:
    """Gaussian blur with a width of its own for each picture: depthwise 9-tap kernels along both axes."""
    reach = torch.arange(-4, 5, device=picture.device, dtype=picture.dtype)
    kernel = torch.exp(-0.5 * (reach / sigma_px.clamp(min=0.05)[:, None]) ** 2)
    kernel = kernel / kernel.sum(1, keepdim=True)
    batch = picture.shape[0]
    rows = functional.pad(picture.transpose(0, 1), (4, 4, 4, 4), mode="replicate")  # (1, B, H, W)
    rows = functional.conv2d(rows, kernel[:, None, None, :], groups=batch)
    return functional.conv2d(rows, kernel[:, None, :, None], groups=batch).transpose(0, 1)


def _coarsen(picture: Tensor, shrink: Tensor) -> Tensor:
    """Read each picture as if it had been stored ``shrink`` times smaller and scaled up again."""
    small = functional.avg_pool2d(picture, 2)
    back = functional.interpolate(small, scale_factor=2.0, mode="bilinear", align_corners=False)
    share = (shrink - 1).clamp(0, 1)[:, None, None, None]
    return picture + share * (back - picture)


def _block_code(picture: Tensor, strength: Tensor) -> Tensor:
    """Quantise 8 x 8 cosine blocks as JPEG and its kin do; coarser for higher frequencies."""
    k = torch.arange(8, device=picture.device, dtype=picture.dtype)
    basis = torch.cos(torch.pi * (k[None, :] + 0.5) * k[:, None] / 8) * 0.5
    basis[0] *= 0.5**0.5
    blocks = picture.unflatten(2, (-1, 8)).unflatten(4, (-1, 8))  # (B, 1, h, 8, w, 8)
    spectrum = torch.einsum("ui,bchiwj,vj->bchuwv", basis, blocks, basis)
    step = (0.02 + 0.02 * (k[:, None] + k[None, :])) * strength[:, None, None]  # (B, 8, 8)
    step = step[:, None, None, :, None, :].clamp(min=1e-5)
    spectrum = torch.round(spectrum / step) * step
    return torch.einsum("ui,bchuwv,vj->bchiwj", basis, spectrum, basis).flatten(4, 5).flatten(2, 3)


def draw_overlays(picture: Tensor, generator: torch.Generator, *, share: float = 0.35) -> Tensor:
    """Bright strokes, ticks and dark boxes over some of the (B, 1, H, W) pictures, as rulers, marks and masks leave."""
    batch, _, height, width = picture.shape
    device = picture.device
    x = torch.arange(width, device=device)[None, None, :]
    y = torch.arange(height, device=device)[None, :, None]

    def uniform(low: float, high: float) -> Tensor:
        return (low + (high - low) * torch.rand(batch, 1, 1, generator=generator, device=device)).round()

    result = picture[:, 0]
    for number, grey in ((0, 0.0), (1, 0.9), (2, 0.7), (3, 1.0)):
        chosen = torch.rand(batch, 1, 1, generator=generator, device=device) < share
        left, top = uniform(0, width - 1), uniform(0, height - 1)
        if number == 0:  # a blackened name, a corner cut off
            wide, high = uniform(10, width / 3), uniform(8, height / 5)
            left = torch.where(left < width / 2, left.clamp(max=10), width - wide)
            top = torch.where(top < height / 2, torch.zeros_like(top), height - high)
            area = (x >= left) & (x < left + wide) & (y >= top) & (y < top + high)
        elif number == 1:  # a stroke, thin either way
            wide, high = uniform(1, 40), uniform(1, 2)
            lies = torch.rand(batch, 1, 1, generator=generator, device=device) < 0.5
            wide, high = torch.where(lies, wide, high), torch.where(lies, high, wide)
            area = (x >= left) & (x < left + wide) & (y >= top) & (y < top + high)
        elif number == 2:  # a ruler of ticks
            pitch = uniform(6, 24)
            area = (x >= left) & (x < left + 3) & (torch.remainder(y - top, pitch) < 1)
        else:  # a measuring cross
            arm = uniform(2, 5)
            area = ((x == left) & ((y - top).abs() <= arm)) | ((y == top) & ((x - left).abs() <= arm))
        result = torch.where(area & chosen, torch.full_like(result, grey), result)
    return result[:, None]
