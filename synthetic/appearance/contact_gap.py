"""Where the probe's face does not touch the skin: no echoes from inside, and bands parallel to the face."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import torch
from torch import Tensor

from synthetic.appearance.random_settings import Draws
from synthetic.appearance.smoothing import any_active

if TYPE_CHECKING:
    from synthetic.acoustics.beam_rendering import Beams

__all__ = ["ContactGap", "apply_contact_gap"]

_LOST_DB = 90.0  # loss within a gap: more than any machine's dynamic range
_BAND_DEPTH_DB = 25.0  # how far the level falls between bands (no source)
_BAND_NOISE_DB = 3.0  # standard deviation of the bands' level (no source)


@dataclass(frozen=True)
class ContactGap:
    """A gap between face and skin; each (B,) float32.

    gap : half its width, over half the width of the face; 0 where the whole face touches
    middle : of the gap, in [-1, 1] over the face;  soft : width over which the loss grows at its edges, same unit
    band_db : level of the first band against soft tissue;  fade_db : how much the bands fade over the depth shown
    pitch : of the bands, as a share of that depth
    """

    gap: Tensor
    middle: Tensor
    soft: Tensor
    band_db: Tensor
    fade_db: Tensor
    pitch: Tensor

    @classmethod
    def draw(cls, draws: Draws) -> ContactGap:
        """Gaps are more frequent at the ends of the face than in the middle, and never wider than half of it."""
        end = torch.where(draws.chance(0.5), -1.0, 1.0)
        return cls(
            gap=draws.occasional_fault(0.09, draws.uniform(0.05, 0.45)),
            middle=end * draws.uniform(0.2, 1.2).clamp(max=1),
            soft=draws.uniform(0.02, 0.12),
            band_db=draws.uniform(-25, 12),
            fade_db=draws.uniform(80, 400),
            pitch=draws.uniform(0.015, 0.07),
        )


def apply_contact_gap(beams: Beams, contact: ContactGap, generator: torch.Generator) -> Beams:
    """The beams with the gap: those in it return nothing from inside, and their loss is that of a deep shadow."""
    if not any_active(contact.gap):
        return beams
    lines, samples = beams.echo_db.shape[1:]
    device = beams.echo_db.device
    across = torch.linspace(-1, 1, lines, device=device)
    depth = (torch.arange(samples, device=device) + 0.5) / samples
    beyond = ((across - contact.middle[:, None]).abs() - contact.gap[:, None]) / contact.soft[:, None]
    lost_db = _LOST_DB * torch.sigmoid(-4 * beyond) * (contact.gap > 0)[:, None]  # (B, L)

    bands = torch.cos(2 * torch.pi * depth / contact.pitch[:, None]) ** 2
    bands_db = contact.band_db[:, None] - contact.fade_db[:, None] * depth - _BAND_DEPTH_DB * (1 - bands)  # (B, S)
    band_noise = _BAND_NOISE_DB * torch.randn(beams.echo_db.shape, generator=generator, device=device)
    # The bands are sound that did not enter the body: they appear as the echoes from inside vanish.
    bands_db = bands_db[:, None] + band_noise - (_LOST_DB - lost_db)[:, :, None]
    echo_db = torch.maximum(beams.echo_db - lost_db[:, :, None], bands_db)
    has_gap = (contact.gap > 0)[:, None, None]
    return replace(
        beams,
        echo_db=torch.where(has_gap, echo_db, beams.echo_db),
        loss_db=beams.loss_db + lost_db[:, :, None],
    )
