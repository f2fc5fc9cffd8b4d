"""The map from echoes in dB to grey, which a machine's settings of gain, dynamic range and grey map make."""

from __future__ import annotations

from dataclasses import dataclass, replace

import torch
from torch import Tensor

from synthetic.appearance.random_settings import Draws

__all__ = ["GreyMap", "map_to_grey"]

_SEGMENTS = 8
_MIN_TISSUE_GREY, _MAX_TISSUE_GREY = 0.07, 0.8  # of mean soft tissue in a usable picture (common practice, no source)


@dataclass(frozen=True)
class GreyMap:
    """All (B,) float32 except the knots.

    dynamic_range_db : between black and white;  tissue_grey : of mean soft tissue, 0 to 1
    gamma, contrast : of the map;  knots : (B, 9) output at even steps of the input grey, rising from 0 to 1
    reject : anything darker is shown black;  white_clip : share of the scale that is clipped to white
    black_level : grey of black, as of a screen that is set too bright
    """

    dynamic_range_db: Tensor
    tissue_grey: Tensor
    gamma: Tensor
    contrast: Tensor
    knots: Tensor
    reject: Tensor
    white_clip: Tensor
    black_level: Tensor

    @classmethod
    def draw(cls, draws: Draws) -> GreyMap:
        """Maps from soft to hard. Mean tissue is never rejected, nearly black or nearly white: users turn the gain
        until they can see something.
        """
        tissue_grey = draws.uniform(0.14, 0.62)
        rises = torch.exp(draws.sometimes(0.5, draws.uniform(0.1, 0.7))[:, None] * draws.normal(_SEGMENTS))
        rises = torch.cat([torch.zeros_like(rises[:, :1]), rises / rises.sum(1, keepdim=True)], dim=1)
        return cls(
            dynamic_range_db=draws.uniform(38, 85),
            tissue_grey=tissue_grey,
            gamma=torch.exp(draws.uniform(-0.45, 0.45)),
            contrast=draws.sometimes(0.5, draws.uniform(-0.5, 1.0)),
            knots=rises.cumsum(1),
            reject=draws.sometimes(0.2, draws.uniform(0.1, 0.6) * tissue_grey),
            white_clip=draws.sometimes(0.25, draws.uniform(0.0, 0.35)),
            black_level=draws.sometimes(0.2, draws.uniform(0.0, 0.12)),
        ).usable()

    def usable(self) -> GreyMap:
        """The same, but plain where mean tissue would be nearly black or nearly white."""
        tissue = map_to_grey(torch.zeros_like(self.tissue_grey)[:, None, None], self)[:, 0, 0]
        unusable = (tissue < _MIN_TISSUE_GREY) | (tissue > _MAX_TISSUE_GREY)
        straight = torch.linspace(0, 1, _SEGMENTS + 1, device=tissue.device)
        return replace(
            self,
            gamma=torch.where(unusable, 1.0, self.gamma),
            contrast=torch.where(unusable, 0.0, self.contrast),
            white_clip=torch.where(unusable, 0.0, self.white_clip),
            knots=torch.where(unusable[:, None], straight, self.knots),
        )


def map_to_grey(echo_db: Tensor, grey_map: GreyMap) -> Tensor:
    """(B, L, S) echoes in dB against soft tissue -> grey in [0, 1]. A stronger echo is never darker."""

    def each(values: Tensor) -> Tensor:
        return values[:, None, None]

    grey = echo_db / each(grey_map.dynamic_range_db) + each(grey_map.tissue_grey)
    grey = torch.where(grey < each(grey_map.reject), 0.0, grey)
    grey = (grey / each(1 - grey_map.white_clip)).clamp(0, 1)
    grey = grey ** each(grey_map.gamma)
    # Towards an S-shaped map; negative contrast flattens the middle.
    s_shaped = grey * grey * (3 - 2 * grey)
    grey = (grey + each(grey_map.contrast) * (s_shaped - grey)).clamp(0, 1)
    return each(grey_map.black_level) + each(1 - grey_map.black_level) * _through_knots(grey, grey_map.knots)


def _through_knots(grey: Tensor, knots: Tensor) -> Tensor:
    """Grey, interpolated linearly between the knots."""
    place = (grey * _SEGMENTS).flatten(1)  # (B, L * S)
    segment = place.floor().clamp(max=_SEGMENTS - 1)
    index = segment.long()
    start, rise = knots.gather(1, index), knots.diff(dim=1).gather(1, index)
    return (start + (place - segment) * rise).clamp(max=1).view_as(grey)
