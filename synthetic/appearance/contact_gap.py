"""Where the probe's face touches nothing: no echoes from inside, and bands parallel to the face."""

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

# More than any machine's dynamic range.
_LOST_DB = 90.0


@dataclass(frozen=True)
class ContactGap:
    """A gap between face and skin; each (B,) float32.

    gap : half its width over the face's half width, 0 where all of the face touches;  middle : in [-1, 1] over it
    soft : over which the loss grows at its edges;  band_db : level of the first band against soft tissue
    fade_db : how much the bands lose over the depth shown;  pitch : of the bands, as a share of that depth
    """

    gap: Tensor
    middle: Tensor
    soft: Tensor
    band_db: Tensor
    fade_db: Tensor
    pitch: Tensor

    @classmethod
    def draw(cls, draws: Draws) -> ContactGap:
        """Gaps more often at the ends of the face than in the middle, and never over half of it."""
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
    """Beams of which those in the gap bring back nothing from inside, so that their loss is that of a deep shadow."""
    if not any_active(contact.gap):
        return beams
    lines, samples = beams.echo_db.shape[1:]
    device = beams.echo_db.device
    across = torch.linspace(-1, 1, lines, device=device)
    depth = (torch.arange(samples, device=device) + 0.5) / samples
    beyond = ((across - contact.middle[:, None]).abs() - contact.gap[:, None]) / contact.soft[:, None]
    lost_db = _LOST_DB * torch.sigmoid(-4 * beyond) * (contact.gap > 0)[:, None]  # (B, L)

    bands = torch.cos(2 * torch.pi * depth / contact.pitch[:, None]) ** 2
    bands_db = contact.band_db[:, None] - contact.fade_db[:, None] * depth - 25 * (1 - bands)  # (B, S)
    rough = 3 * torch.randn(beams.echo_db.shape, generator=generator, device=device)
    # The bands are sound that never came in: they rise as the echoes from inside vanish.
    bands_db = bands_db[:, None] + rough - (_LOST_DB - lost_db)[:, :, None]
    echo_db = torch.maximum(beams.echo_db - lost_db[:, :, None], bands_db)
    touched = (contact.gap > 0)[:, None, None]
    return replace(
        beams,
        echo_db=torch.where(touched, echo_db, beams.echo_db),
        loss_db=beams.loss_db + lost_db[:, :, None],
    )
