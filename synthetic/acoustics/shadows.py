"""How much of the sound comes through to each place, and how shadows soften with depth."""

from __future__ import annotations

import math

import torch
from torch import Tensor

from synthetic.acoustics.geometry import BeamGrid, Scanner
from synthetic.appearance.smoothing import blur
from synthetic.decibels import amplitude_from_db, db_from_amplitude

__all__ = ["accumulated_loss"]

_BLOCKS = 16  # of the depth, after each of which shadows spread
_MAX_SPREAD_LINES = 2.0  # in one block: what the blur's kernel holds
_MIN_AMPLITUDE = 1e-6  # -120 dB, deeper than any machine shows


def accumulated_loss(
    db_per_mm: Tensor, grid: BeamGrid, scanner: Scanner, *, aperture_mm: Tensor, spread: float
) -> Tensor:
    """(B, L, S) dB lost on the way to each place, from (B, L, S) dB/mm.

    aperture_mm : (B,);  spread : see Physics.shadow_spread. At 0 each beam adds up its own losses. Above, the amplitude
    that is left spreads to the beams beside it after every block of samples, as in a split-step propagation, and the
    variance of the spread grows evenly with depth
    """
    own = torch.cumsum(db_per_mm, dim=2) * grid.step
    if not spread:
        return own
    lines, samples = own.shape[1:]
    # An even aperture of width A has a standard deviation of A / sqrt(12).
    spread_mm = spread * aperture_mm / math.sqrt(12 * _BLOCKS)
    per_line_mm = 2 * scanner.half_angle_rad / (lines - 1)
    no_spread = torch.zeros_like(spread_mm)
    left = torch.ones_like(own[..., 0])
    blocks, before = [], torch.zeros_like(own[..., :1])
    for block in own.split(math.ceil(samples / _BLOCKS), dim=2):
        passed = (left[..., None] * amplitude_from_db(before - block)).clamp(min=_MIN_AMPLITUDE)
        blocks.append(-db_from_amplitude(passed))
        depth_mm = grid.depth[:, 0, sum(each.shape[2] for each in blocks) - 1]
        sigma = spread_mm / (per_line_mm * (scanner.radius_mm + depth_mm))
        column = passed[:, None, :, -1:]
        left = blur(column, sigma.clamp(max=_MAX_SPREAD_LINES), no_spread)[:, 0, :, 0]
        before = block[..., -1:]
    return torch.cat(blocks, dim=2)
