"""Which part of a grid of beams each object can touch, so that a CPU need not visit the rest for it."""

from __future__ import annotations

import torch
from torch import Tensor

from synthetic.acoustics.geometry import BeamGrid
from synthetic.acoustics.render_parameters import MAX_TILT_SMEAR_MM, TINY, RenderParameters
from synthetic.acoustics.squared_radius import squared_radius

__all__ = ["touched_regions"]

_STRIDE = 8  # lines and samples between the places that are tested


def touched_regions(grid: BeamGrid, parameters: RenderParameters, bumps: Tensor) -> list[tuple[slice, slice]]:
    """For each of K objects the lines and samples that it can touch in any of the B pictures; empty where none.

    In a clip an object stays near its place from frame to frame, so most of the grid need not be visited for it. The
    test is made at every eighth line and sample, with a margin for what may lie between.
    """
    lines, samples = grid.x.shape[1:]
    at = [
        torch.arange(_STRIDE // 2, number + _STRIDE // 2, _STRIDE).clamp(max=number - 1) for number in (lines, samples)
    ]
    x, z, bumps = (field[:, None, at[0]][..., at[1]] for field in (grid.x, grid.z, bumps))  # (B, 1, l, s)
    p = parameters.over_grid()
    q2, gx, gz, gn = squared_radius(p, x, z)
    q = q2.clamp(min=TINY).sqrt()
    in_plane2 = (gx * gx + gz * gz).clamp(min=TINY * TINY)
    distance = (q * (1 + p.unevenness * bumps) - 1) * q / (in_plane2 + gn * gn).sqrt()
    tilt_smear = (0.5 * p.slice_thickness_mm * gn.abs() / in_plane2.sqrt()).clamp(max=MAX_TILT_SMEAR_MM)
    thickness = p.rim_thickness_mm
    border_reach = 3 * p.border_blur_mm + 1.2 * tilt_smear
    rim_reach = 1.5 * torch.hypot(thickness, tilt_smear) + 3.2 * thickness
    cell = torch.hypot((x[:, :, 1:] - x[:, :, :-1]).amax(), grid.step.amax() * _STRIDE)
    reach = torch.maximum(border_reach, rim_reach) + 0.5 * cell + 0.5 * p.unevenness * p.min_semi_axis_mm
    touched = (distance < reach) & (p.present > 0)

    def bounds(places: Tensor, number: int) -> list[slice]:
        """From the first to the last True of each row of (K, n) coarse places, in fine ones."""
        count = places.shape[1]
        first = places.int().argmax(1)
        last = count - 1 - places.flip(1).int().argmax(1)
        start = first * _STRIDE
        stop = torch.where(places.any(1), ((last + 1) * _STRIDE).clamp(max=number), start)
        return [slice(a, b) for a, b in zip(start.tolist(), stop.tolist(), strict=True)]

    in_any_picture = touched.any(0)
    return list(zip(bounds(in_any_picture.any(2), lines), bounds(in_any_picture.any(1), samples), strict=True))
