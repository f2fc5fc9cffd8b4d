"""Which part of a grid of beams an object can touch: on a CPU the rest need not be visited for it."""

from __future__ import annotations

import torch
from torch import Tensor

from synthetic.acoustics.geometry import BeamGrid
from synthetic.acoustics.render_parameters import MAX_TILT_SMEAR_MM, TINY, RenderParameters

__all__ = ["touched_regions"]

_COARSE = 8  # lines and samples between the places that are looked at


def touched_regions(grid: BeamGrid, met: RenderParameters, bumps: Tensor) -> list[tuple[slice, slice]]:
    """For each of K objects the lines and samples that it can touch in any of the B pictures; empty where none.

    In a clip an object stays near its place from frame to frame, and most of the grid need not be visited for it. Where
    it reaches is looked up at every eighth line and sample, with room for what may lie between.
    """
    lines, samples = grid.x.shape[1:]
    at = [
        torch.arange(_COARSE // 2, number + _COARSE // 2, _COARSE).clamp(max=number - 1) for number in (lines, samples)
    ]
    x, z, bumps = (value[:, None, at[0]][..., at[1]] for value in (grid.x, grid.z, bumps))  # (B, 1, l, s)
    m = RenderParameters(*(value[..., None, None] for value in vars(met).values()))
    gx, gz, gn = m.auu * x + m.auv * z + m.bu, m.auv * x + m.avv * z + m.bv, m.nu * x + m.nv * z + m.nd
    q = (gx * x + gz * z + m.bu * x + m.bv * z + m.constant).clamp(min=TINY).sqrt()
    plane_steep2 = (gx * gx + gz * gz).clamp(min=TINY * TINY)
    distance = (q * (1 + m.unevenness * bumps) - 1) * q / (plane_steep2 + gn * gn).sqrt()
    leaning = (0.5 * m.slice_thickness_mm * gn.abs() / plane_steep2.sqrt()).clamp(max=MAX_TILT_SMEAR_MM)
    thick = m.rim_thickness_mm
    reach = torch.maximum(3 * m.border_blur_mm + 1.2 * leaning, 1.5 * torch.hypot(thick, leaning) + 3.2 * thick)
    cell = torch.hypot((x[:, :, 1:] - x[:, :, :-1]).amax(), grid.step.amax() * _COARSE)
    touched = (distance < reach + 0.5 * cell + 0.5 * m.unevenness * m.min_semi_axis_mm) & (m.present > 0)

    def bounds(places: Tensor, number: int) -> list[slice]:
        """Of (K, n) coarse places, where the first and the last of those met lie, in fine ones."""
        count = places.shape[1]
        first = places.int().argmax(1)
        last = count - 1 - places.flip(1).int().argmax(1)
        any_met = places.any(1)
        start, stop = first * _COARSE, torch.where(any_met, ((last + 1) * _COARSE).clamp(max=number), first * _COARSE)
        return [slice(a, b) for a, b in zip(start.tolist(), stop.tolist(), strict=True)]

    anywhere = touched.any(0)
    return list(zip(bounds(anywhere.any(2), lines), bounds(anywhere.any(1), samples), strict=True))
