"""Plain tissue and the layers of the body wall, before any object is drawn."""

from __future__ import annotations

from dataclasses import dataclass

import torch
from torch import Tensor

from synthetic.acoustics.console import Console
from synthetic.acoustics.drawing import AcousticMaps, bump
from synthetic.acoustics.geometry import BeamGrid
from synthetic.decibels import amplitude_from_db

__all__ = ["tissue_background"]


@dataclass(frozen=True)
class _BackgroundModel:
    """Algorithm's numbers of the background. Common practice, no source.

    fine_share : of the fine unevenness, relative to the coarse one
    sheet_threshold : standard deviations above which a sheet of tissue is also a smooth bright line
    border_mm : thickness of a layer's border;  full_border_mm : layers from this thickness on have a full border
    bend_mm : by which borders bend with the tissue, per unit of coarse unevenness
    echo_widening : how much thicker a border's reverberation is than the border
    """

    fine_share: float = 0.4
    sheet_threshold: float = 1.5
    border_mm: float = 0.35
    full_border_mm: float = 0.3
    bend_mm: float = 0.8
    echo_widening: float = 1.15


@dataclass(frozen=True)
class _WallLayer:
    """level_db : echo of the layer against soft tissue;  border_db : of its lower border, at a right angle"""

    level_db: float
    border_db: float


_MODEL = _BackgroundModel()
_SKIN, _FAT, _MUSCLE = _WallLayer(5.0, 6.0), _WallLayer(-5.0, 12.0), _WallLayer(-1.0, 9.0)


def tissue_background(grid: BeamGrid, console: Console, coarse: Tensor, fine: Tensor, sheets: Tensor) -> AcousticMaps:
    """Maps of tissue without objects.

    coarse, fine, sheets : (B, L, S) tissue noise of unit variance: coarse and fine unevenness, and sheets of fascia and
    muscle fibres, see tissue.TissueNoise
    """
    unevenness_db = console.unevenness_db[:, None, None]
    echo = unevenness_db * (coarse + _MODEL.fine_share * fine) + console.layers_db[:, None, None] * sheets
    # The strongest sheets are borders and not speckle: smooth bright lines.
    sheet_amplitude = amplitude_from_db(console.layers_db)[:, None, None] - 1
    surface = sheet_amplitude * (sheets - _MODEL.sheet_threshold).clamp(min=0)
    # A border thinner than one sample would fall between the samples.
    thickness = grid.step.clamp(min=_MODEL.border_mm)
    layers = (console.skin_mm, _SKIN), (console.fat_mm, _FAT), (console.muscle_mm, _MUSCLE)
    edge = torch.zeros_like(grid.depth)
    for layer_mm, layer in layers:
        start = edge
        edge = edge + layer_mm[:, None, None]
        bent = edge + _MODEL.bend_mm * coarse
        echo = torch.where((grid.depth >= start) & (grid.depth < bent), echo + layer.level_db, echo)
        # The border is a bright line that bends with the tissue. A layer that is not there has none.
        full = amplitude_from_db(torch.tensor(layer.border_db, dtype=torch.float64))
        border = full * (layer_mm[:, None, None] / _MODEL.full_border_mm).clamp(0, 1)
        surface = surface + border * bump((grid.depth - bent) / thickness)
        # Reverberation between border and probe: the line comes back, fainter, at twice its depth.
        again = console.reverberation[:, None, None] * border
        surface = surface + again * bump((grid.depth - 2 * bent) / (_MODEL.echo_widening * thickness))
    attenuation = console.attenuation[:, None, None].expand_as(echo).clone()
    return AcousticMaps(echo, attenuation, surface, torch.zeros_like(echo), torch.zeros_like(echo))
