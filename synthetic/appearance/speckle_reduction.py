"""Filters with which machines smooth speckle, sold under trade names; here they are named for what they do."""

from __future__ import annotations

from dataclasses import dataclass
from enum import IntEnum

import torch
from torch import Tensor
from torch.nn import functional

from synthetic.appearance.random_settings import Draws
from synthetic.appearance.smoothing import any_active, blur, box_mean, per_picture, separable_median

__all__ = ["SmoothingFilter", "SpeckleReduction", "reduce_speckle"]


class SmoothingFilter(IntEnum):
    """Kinds of filters.

    EDGE_ENHANCED is a strong blur with the outlines drawn over it again. It makes tissue look like wet paint.
    """

    NONE = 0
    GAUSSIAN = 1
    MEDIAN = 2
    EDGE_PRESERVING = 3
    EDGE_ENHANCED = 4


@dataclass(frozen=True)
class SpeckleReduction:
    """Each (B,). kind : of SmoothingFilter;  width_px : of the blurs;  edge : grey step that EDGE_PRESERVING keeps"""

    kind: Tensor
    width_px: Tensor
    edge: Tensor

    @classmethod
    def draw(cls, draws: Draws) -> SpeckleReduction:
        """Three in four machines smooth."""
        return cls(
            kind=draws.kind(0.25, 0.3, 0.15, 0.2),
            width_px=draws.uniform(0.3, 2.2),
            edge=torch.exp(draws.uniform(-3.5, -1.8)),
        )


def reduce_speckle(picture: Tensor, reduction: SpeckleReduction) -> Tensor:
    """(B, 1, H, W) grey, each picture smoothed by its own filter."""
    gaussian, median, enhanced = (
        reduction.kind == kind
        for kind in (SmoothingFilter.GAUSSIAN, SmoothingFilter.MEDIAN, SmoothingFilter.EDGE_ENHANCED)
    )
    guided = enhanced | (reduction.kind == SmoothingFilter.EDGE_PRESERVING)
    result = picture
    if any_active(guided):
        result = torch.where(per_picture(guided), _guided(picture, reduction.edge), result)
    if any_active(median):
        result = torch.where(per_picture(median), separable_median(separable_median(picture)), result)
    if any_active(gaussian | enhanced):
        smooth = blur(result, reduction.width_px, reduction.width_px)
        # Adds once more what the blur removes of the outlines that the guided filter left.
        result = torch.where(
            per_picture(gaussian), smooth, torch.where(per_picture(enhanced), 2 * result - smooth, result)
        )
    return result


def _guided(picture: Tensor, edge: Tensor) -> Tensor:
    """The guided filter with the picture as its own guide (He, Sun and Tang, IEEE PAMI 35:1397, 2013).

    Where grey varies by less than ``edge`` it becomes its mean; where it varies by more it stays. Means are taken at
    half the size, over 6 px, which hardly changes the result (He and Sun, arXiv 1505.00996, 2015).
    """
    mean = box_mean(functional.avg_pool2d(picture, 2), 1)
    variance = (box_mean(functional.avg_pool2d(picture * picture, 2), 1) - mean * mean).clamp(min=0)
    share = variance / (variance + per_picture(edge) ** 2)
    slope_and_level = box_mean(torch.cat([share, (1 - share) * mean], 1), 1)
    slope_and_level = functional.interpolate(slope_and_level, scale_factor=2.0, mode="bilinear", align_corners=False)
    return slope_and_level[:, :1] * picture + slope_and_level[:, 1:]
