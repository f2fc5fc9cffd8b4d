"""The small filters that looks are made of; batched, each picture with a strength of its own where it says so."""

from __future__ import annotations

import torch
from torch import Tensor
from torch.nn import functional

__all__ = ["any_active", "blur", "box_mean", "coarsen", "interpolate_linear", "separable_median", "wide_blur"]


def any_active(values: Tensor) -> bool:
    """Whether any of (B, ...) values is not nought, so that a filter which nobody uses is left out.

    On a GPU always True: to ask it would make everything wait for the answer.
    """
    return values.is_cuda or bool(values.any())


def blur(picture: Tensor, down: Tensor, right: Tensor) -> Tensor:
    """(B, 1, H, W) under Gaussians of deviations ``down`` and ``right`` (B,) px: 9 taps along each axis."""
    batch = picture.shape[0]
    rows = functional.pad(picture.transpose(0, 1), (4, 4, 4, 4), mode="replicate")  # (1, B, H, W)
    rows = functional.conv2d(rows, _bell(right)[:, None, None, :], groups=batch)
    return functional.conv2d(rows, _bell(down)[:, None, :, None], groups=batch).transpose(0, 1)


def _bell(sigma: Tensor) -> Tensor:
    reach = torch.arange(-4, 5, device=sigma.device, dtype=sigma.dtype)
    kernel = torch.exp(-0.5 * (reach / sigma.clamp(min=0.05)[:, None]) ** 2)
    return kernel / kernel.sum(1, keepdim=True)


def wide_blur(picture: Tensor) -> Tensor:
    """(B, 1, H, W) without what is finer than some 8 px, in passing cheap: pooled and scaled up; multiples of 4 px."""
    small = functional.avg_pool2d(picture, 4)
    small = functional.avg_pool2d(small, 3, stride=1, padding=1, count_include_pad=False)
    return functional.interpolate(small, scale_factor=4.0, mode="bilinear", align_corners=False)


def box_mean(picture: Tensor, reach: int) -> Tensor:
    """(B, C, H, W) means over squares of 2 reach + 1 px, at the borders over what of them lies in the picture."""
    for dim in (3, 2):
        size = picture.shape[dim]
        place = torch.arange(size, device=picture.device)
        count = place.clamp(max=reach) + (size - 1 - place).clamp(max=reach) + 1
        padded = functional.pad(picture, (reach, reach, 0, 0) if dim == 3 else (0, 0, reach, reach))
        # Sums of shifted pictures: on a CPU nine times as fast as average pooling, which goes from pixel to pixel.
        total = padded.narrow(dim, 0, size).clone()
        for shift in range(1, 2 * reach + 1):
            total += padded.narrow(dim, shift, size)
        picture = total / (count if dim == 3 else count[:, None])
    return picture


def separable_median(picture: Tensor) -> Tensor:
    """(B, 1, H, W) medians of three along the rows, then of three down the columns.

    Not quite the median of the nine, and a third of its work.
    """
    for dim in (3, 2):
        size = picture.shape[dim]
        pad = (1, 1, 0, 0) if dim == 3 else (0, 0, 1, 1)
        padded = functional.pad(picture, pad, mode="replicate")
        before, after = padded.narrow(dim, 0, size), padded.narrow(dim, 2, size)
        low, high = torch.minimum(before, after), torch.maximum(before, after)
        picture = torch.maximum(low, torch.minimum(high, picture))
    return picture


def coarsen(values: Tensor, factor: Tensor, use_nearest: Tensor, dim: int) -> Tensor:
    """(B, ...) values of which only each ``factor``-th (B,) along ``dim`` is kept and the rest is filled in.

    Straight lines fill in where ``use_nearest`` (B,) is False, else the nearest one kept. Those kept stay at their places.
    """
    number = values.shape[dim]
    place = torch.arange(number, device=values.device, dtype=factor.dtype)
    middle = number // 2
    step = torch.floor((place - middle) / factor[:, None])  # (B, N)
    first = (step * factor[:, None] + middle).round().clamp(0, number - 1)
    second = ((step + 1) * factor[:, None] + middle).round().clamp(0, number - 1)
    share = ((place - first) / (second - first).clamp(min=1)).clamp(0, 1)
    # Halfway between two, the one and the other by turns, or all would lean to one side.
    nearest = torch.where(share == 0.5, step.remainder(2), share.round())
    share = torch.where(use_nearest[:, None], nearest, share)
    shape = [len(factor) if d == 0 else number if d == dim else 1 for d in range(values.dim())]
    low, high = (values.gather(dim, index.long().view(shape).expand_as(values)) for index in (first, second))
    return torch.lerp(low, high, share.view(shape))


def interpolate_linear(values: Tensor, samples: int, *, align_corners: bool) -> Tensor:
    """(B, L, n) as (B, L, samples), in straight pieces between them; align_corners: the first and last stay where they are,
    else the first and last half samples do. As pictures of L rows: PyTorch's kernel for lines alone takes the rows one
    after another on a GPU, and took two fifths of a training picture's time.
    """
    rows = values[:, None]
    size = (values.shape[1], samples)
    return functional.interpolate(rows, size=size, mode="bilinear", align_corners=align_corners)[:, 0]
