"""Small filters from which appearances are built. They are batched; most have a strength for each picture."""

from __future__ import annotations

import torch
from torch import Tensor
from torch.nn import functional

__all__ = [
    "any_active",
    "blur",
    "box_mean",
    "coarsen",
    "interpolate_linear",
    "per_picture",
    "separable_median",
    "wide_blur",
]


def any_active(values: Tensor) -> bool:
    """Whether any of (B, ...) values is not 0, so that a filter that no picture needs is skipped.

    Always True on a GPU: there the question would make everything wait for the answer.
    """
    return values.is_cuda or bool(values.any())


def per_picture(values: Tensor) -> Tensor:
    """One value for each of B pictures, (B,) -> (B, 1, 1, 1), to be broadcast over their pixels."""
    return values[:, None, None, None]


def blur(picture: Tensor, down: Tensor, right: Tensor) -> Tensor:
    """(B, 1, H, W) blurred by Gaussians of standard deviation ``down`` and ``right`` (B,) px: 9 taps on each axis."""
    batch = picture.shape[0]
    rows = functional.pad(picture.transpose(0, 1), (4, 4, 4, 4), mode="replicate")  # (1, B, H, W)
    if not rows.is_cuda:  # three times as fast there
        rows = rows.contiguous(memory_format=torch.channels_last)
    rows = functional.conv2d(rows, _gaussian_kernel(right)[:, None, None, :], groups=batch)
    rows = functional.conv2d(rows, _gaussian_kernel(down)[:, None, :, None], groups=batch)
    return rows.contiguous().transpose(0, 1)


def _gaussian_kernel(sigma: Tensor) -> Tensor:
    """(B, 9) of standard deviations (B,) px."""
    reach = torch.arange(-4, 5, device=sigma.device, dtype=sigma.dtype)
    kernel = torch.exp(-0.5 * (reach / sigma.clamp(min=0.05)[:, None]) ** 2)
    return kernel / kernel.sum(1, keepdim=True)


def wide_blur(picture: Tensor) -> Tensor:
    """(B, 1, H, W) without detail finer than about 8 px: pooled and scaled up, a fast way. H and W multiples of 4."""
    small = functional.avg_pool2d(picture, 4)
    small = functional.avg_pool2d(small, 3, stride=1, padding=1, count_include_pad=False)
    return functional.interpolate(small, scale_factor=4.0, mode="bilinear", align_corners=False)


def box_mean(picture: Tensor, reach: int) -> Tensor:
    """(B, C, H, W) means over squares of 2 reach + 1 px; at the borders over the part that lies in the picture."""
    for dim in (3, 2):
        size = picture.shape[dim]
        place = torch.arange(size, device=picture.device)
        count = place.clamp(max=reach) + (size - 1 - place).clamp(max=reach) + 1
        padded = functional.pad(picture, (reach, reach, 0, 0) if dim == 3 else (0, 0, reach, reach))
        # Sums of shifted pictures: on a CPU nine times as fast as average pooling, which works pixel by pixel.
        total = padded.narrow(dim, 0, size).clone()
        for shift in range(1, 2 * reach + 1):
            total += padded.narrow(dim, shift, size)
        picture = total / (count if dim == 3 else count[:, None])
    return picture


def separable_median(picture: Tensor) -> Tensor:
    """(B, 1, H, W) medians of three along the rows, then of three along the columns.

    Nearly the median of all nine, for a third of the work.
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
    """(B, ...) values of which only every ``factor``-th (B,) along ``dim`` is kept; the others are filled in.

    use_nearest : (B,) whether with the nearest one kept, otherwise by linear interpolation
    Those kept stay in their places.
    """
    number = values.shape[dim]
    place = torch.arange(number, device=values.device, dtype=factor.dtype)
    middle = number // 2
    step = torch.floor((place - middle) / factor[:, None])  # (B, N)
    first = (step * factor[:, None] + middle).round().clamp(0, number - 1)
    second = ((step + 1) * factor[:, None] + middle).round().clamp(0, number - 1)
    share = ((place - first) / (second - first).clamp(min=1)).clamp(0, 1)
    # Halfway between two, one and the other in turn, or everything would shift to one side.
    nearest = torch.where(share == 0.5, step.remainder(2), share.round())
    share = torch.where(use_nearest[:, None], nearest, share)
    shape = [len(factor) if d == 0 else number if d == dim else 1 for d in range(values.dim())]
    low, high = (values.gather(dim, index.long().view(shape).expand_as(values)) for index in (first, second))
    return torch.lerp(low, high, share.view(shape))


def interpolate_linear(values: Tensor, samples: int, *, align_corners: bool) -> Tensor:
    """(B, L, n) values, interpolated linearly to (B, L, samples).

    align_corners : whether the first and the last value stay in place, otherwise the ends of the first and last sample
    """
    # As pictures of L rows: on a GPU, PyTorch's kernel for single rows takes them one after another, which made up two
    # fifths of the time of a training picture.
    rows = values[:, None]
    size = (values.shape[1], samples)
    return functional.interpolate(rows, size=size, mode="bilinear", align_corners=align_corners)[:, 0]
