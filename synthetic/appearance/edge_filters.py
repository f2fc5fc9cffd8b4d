"""Edge enhancement: along the beams before scan conversion, and on the picture after it."""

from __future__ import annotations

from dataclasses import dataclass

import torch
from torch import Tensor
from torch.nn import functional

from synthetic.appearance.random_settings import Draws
from synthetic.appearance.smoothing import any_active, blur, per_picture, wide_blur

__all__ = ["Edges", "enhance_along_beams", "enhance_picture"]


@dataclass(frozen=True)
class Edges:
    """Shares of the detail that are added to it once more; each (B,) float32.

    along : detail along the beam;  sharpen : within about 3 px;  halo : within about 10 px, which draws bright and
    dark borders;  ringing : along the rows, as a badly terminated video cable does
    """

    along: Tensor
    sharpen: Tensor
    halo: Tensor
    ringing: Tensor

    @classmethod
    def draw(cls, draws: Draws) -> Edges:
        """A third of the machines sharpen, few ring."""
        return cls(
            along=draws.sometimes(0.3, draws.uniform(0.2, 1.2)),
            sharpen=draws.sometimes(0.35, draws.uniform(0.2, 1.2)),
            halo=draws.sometimes(0.15, draws.uniform(0.1, 0.6)),
            ringing=draws.occasional_fault(0.08, draws.uniform(0.1, 0.5)),
        )


def enhance_along_beams(grey: Tensor, edges: Edges) -> Tensor:
    """(B, L, S) grey in [0, 1] with its detail along the beams enhanced."""
    if not any_active(edges.along):
        return grey
    mean = functional.avg_pool1d(grey, 5, stride=1, padding=2, count_include_pad=False)
    return (grey + edges.along[:, None, None] * (grey - mean)).clamp(0, 1)


def enhance_picture(picture: Tensor, edges: Edges) -> Tensor:
    """(B, 1, H, W) grey with its detail enhanced. Outlines may exceed black and white."""
    added = torch.zeros_like(picture)
    if any_active(edges.sharpen):
        width = torch.full_like(edges.sharpen, 1.5)
        added = added + per_picture(edges.sharpen) * (picture - blur(picture, width, width))
    if any_active(edges.halo):
        added = added + per_picture(edges.halo) * (picture - wide_blur(picture))
    if any_active(edges.ringing):
        padded = functional.pad(picture, (3, 3, 0, 0), mode="replicate")
        neighbours = (padded[..., :-6] + padded[..., 6:]) / 2
        added = added + per_picture(edges.ringing) * (picture - neighbours)
    return picture + added
