"""Appearances and pictures from which tests of the appearance start."""

from __future__ import annotations

import torch
from torch import Tensor

from synthetic.appearance.beam_density import BeamDensity
from synthetic.appearance.compression import Compression
from synthetic.appearance.contact_gap import ContactGap
from synthetic.appearance.edge_filters import Edges
from synthetic.appearance.gain import Gain
from synthetic.appearance.grey_map import GreyMap
from synthetic.appearance.machine_appearance import Appearance
from synthetic.appearance.picture_noise import PictureNoise
from synthetic.appearance.random_settings import Draws
from synthetic.appearance.shading import Shading
from synthetic.appearance.speckle_reduction import SpeckleReduction
from tests.synthetic.acoustic_bench import column


def generator(seed: int = 1) -> torch.Generator:
    return torch.Generator().manual_seed(seed)


def draws(batch: int, seed: int = 1, variation: float = 1.0) -> Draws:
    return Draws(batch, generator(seed), variation)


def linear_grey_map(batch: int = 1, **changes: float) -> GreyMap:
    """A straight line from black to white over 60 dB."""
    values = {"dynamic_range_db": 60.0, "tissue_grey": 0.4, "gamma": 1.0, "contrast": 0.0}
    values |= {"reject": 0.0, "white_clip": 0.0, "black_level": 0.0}
    knots = torch.linspace(0, 1, 9).expand(batch, 9)
    return GreyMap(knots=knots, **{name: column(value, batch) for name, value in (values | changes).items()})


def no_edges(batch: int = 1, **changes: float) -> Edges:
    values = {"along": 0.0, "sharpen": 0.0, "halo": 0.0, "ringing": 0.0} | changes
    return Edges(**{name: column(value, batch) for name, value in values.items()})


def no_noise(batch: int = 1, **changes: float) -> PictureNoise:
    values = {"grain": 0.0, "multiplicative": 0.0, "salt": 0.0, "streaks": 0.0} | changes
    return PictureNoise(**{name: column(value, batch) for name, value in values.items()})


def lossless_compression(
    batch: int = 1, *, use_nearest: bool = False, block_px: int = 8, **changes: float
) -> Compression:
    values = {"shrink": 1.0, "down": 1.0, "right": 1.0, "comb_px": 0.0, "blocks": 0.0, "levels": 0.0} | changes
    return Compression(
        use_nearest=torch.full((batch,), use_nearest),
        block_px=torch.full((batch,), block_px),
        **{name: column(value, batch) for name, value in values.items()},
    )


def full_beam_density(batch: int = 1, *, use_nearest: bool = False, **changes: float) -> BeamDensity:
    values = {
        "lines": 1.0,
        "samples": 1.0,
        "compounding_lines": 0.0,
        "compounding_samples": 0.0,
        "persistence": 0.0,
    } | changes
    return BeamDensity(
        use_nearest=torch.full((batch,), use_nearest), **{name: column(value, batch) for name, value in values.items()}
    )


def full_contact(batch: int = 1, **changes: float) -> ContactGap:
    values = {"gap": 0.0, "middle": 0.0, "soft": 0.05, "band_db": 0.0, "fade_db": 100.0, "pitch": 0.05} | changes
    return ContactGap(**{name: column(value, batch) for name, value in values.items()})


def uniform_gain(batch: int = 1) -> Gain:
    return Gain(torch.zeros(batch, 8), torch.zeros(batch, 5), column(0.0, batch), column(0.05, batch))


def unchanged_appearance(batch: int = 1) -> Appearance:
    """An appearance that leaves a picture as it is."""
    return Appearance(
        contact=full_contact(batch),
        density=full_beam_density(batch),
        gain=uniform_gain(batch),
        grey_map=linear_grey_map(batch),
        edges=no_edges(batch),
        speckle=SpeckleReduction(torch.zeros(batch, dtype=torch.int64), column(1.0, batch), column(0.1, batch)),
        shading=Shading(torch.zeros(batch, 4, 4), torch.zeros(batch, 4, 4)),
        noise=no_noise(batch),
        compression=lossless_compression(batch),
    )


def speckled(batch: int = 1, height: int = 64, width: int = 96, seed: int = 2) -> Tensor:
    """Grey in [0, 1] with patches and grain."""
    coarse = torch.rand(batch, 1, height // 8, width // 8, generator=generator(seed))
    fine = torch.rand(batch, 1, height, width, generator=generator(seed + 1))
    patches = torch.nn.functional.interpolate(coarse, size=(height, width), mode="bilinear")
    return (0.7 * patches + 0.3 * fine).clamp(0, 1)


def roughness(picture: Tensor) -> float:
    """Mean step between neighbours in a row."""
    return float(picture.diff(dim=-1).abs().mean())
