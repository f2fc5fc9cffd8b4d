"""What makes one scanner's pictures look unlike another's: from echoes in dB to grey on a screen, batched in torch.

The variety is wide on purpose: a network that is trained on the appearance of one scanner learns that appearance. All
of it is fast. Nothing here moves what a picture shows, so the labels stay true.
"""

from __future__ import annotations

from dataclasses import dataclass, fields

import torch
from torch import Tensor

from synthetic.appearance.beam_density import BeamDensity, resample
from synthetic.appearance.compression import Compression, compress
from synthetic.appearance.contact_gap import ContactGap
from synthetic.appearance.edge_filters import Edges, enhance_along_beams, enhance_picture
from synthetic.appearance.gain import Gain, apply_gain
from synthetic.appearance.grey_map import GreyMap, map_to_grey
from synthetic.appearance.overlays import draw_overlays
from synthetic.appearance.picture_noise import PictureNoise, add_noise
from synthetic.appearance.random_settings import Draws
from synthetic.appearance.shading import Shading, shade
from synthetic.appearance.speckle_reduction import SpeckleReduction, reduce_speckle

__all__ = ["Appearance", "draw_appearance", "postprocess", "to_grey"]


@dataclass(frozen=True)
class Appearance:
    """Settings of B machines, in the order in which a picture passes through them."""

    contact: ContactGap
    density: BeamDensity
    gain: Gain
    grey_map: GreyMap
    edges: Edges
    speckle: SpeckleReduction
    shading: Shading
    noise: PictureNoise
    compression: Compression

    def repeated(self, number: int) -> Appearance:
        """Each row ``number`` times: every machine's settings for as many pictures in a row."""
        parts = {}
        for part in fields(self):
            own = getattr(self, part.name)
            rows = {name: value.repeat_interleave(number, 0) for name, value in vars(own).items()}
            parts[part.name] = type(own)(**rows)
        return Appearance(**parts)


def draw_appearance(batch: int, generator: torch.Generator, *, variation: Tensor | float = 1.0) -> Appearance:
    """Settings of ``batch`` different scanners, on the generator's device.

    variation : how widely they vary, see random_settings.Draws
    """
    draws = Draws(batch, generator, variation)
    return Appearance(
        contact=ContactGap.draw(draws),
        density=BeamDensity.draw(draws),
        gain=Gain.draw(draws),
        grey_map=GreyMap.draw(draws),
        edges=Edges.draw(draws),
        speckle=SpeckleReduction.draw(draws),
        shading=Shading.draw(draws),
        noise=PictureNoise.draw(draws),
        compression=Compression.draw(draws),
    )


def to_grey(echo_db: Tensor, appearance: Appearance) -> Tensor:
    """(B, L, S) echoes in dB against soft tissue -> grey in [0, 1] along the same beams."""
    echo_db = apply_gain(resample(echo_db, appearance.density), appearance.gain)
    return enhance_along_beams(map_to_grey(echo_db, appearance.grey_map), appearance.edges)


def postprocess(
    picture: Tensor, appearance: Appearance, generator: torch.Generator, *, overlays: float = 0.0, frames: int = 1
) -> Tensor:
    """(B, 1, H, W) grey in [0, 1] after the scanner's filters, noise and storage. H and W must be multiples of 16.

    overlays : share of the pictures on which the scanner draws, for each kind of mark
    frames : number of pictures in a row that are one sweep and have the same overlays
    """
    picture = reduce_speckle(picture, appearance.speckle)
    picture = shade(enhance_picture(picture, appearance.edges), appearance.shading)
    if overlays > 0:
        picture = draw_overlays(picture.view(-1, frames, *picture.shape[2:]), generator, share=overlays).view_as(
            picture
        )
    return compress(add_noise(picture, appearance.noise, generator), appearance.compression)
