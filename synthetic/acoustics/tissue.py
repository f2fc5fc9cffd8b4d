"""Noise fixed in the body: the scatterers behind speckle, and the slow unevenness of tissue.

Because both are volumes in body coordinates, a probe that rests shows a picture that rests, and a slow sweep
decorrelates as it should.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import torch
from torch import Tensor
from torch.nn import functional

__all__ = ["SweepNoise", "TissueNoise", "make_tissue_noise"]

# So fine that a resolution cell of 0.2 x 0.5 x 2 mm holds ten scatterers, which speckle needs (common practice).
SCATTERER_SPACING_MM = 0.25
# Blended between the nodes, scatterers are alike over a distance: about a Gaussian of this deviation in any direction
# (measured: 0.74, 0.29 and 0.04 of 1 at a half, one and one and a half spacings).
SCATTERER_CORRELATION_MM = 0.64 * SCATTERER_SPACING_MM
UNEVENNESS_SPACING_MM = 5.0
LAYER_SPACING_MM = (0.7, 7.0, 7.0)
LAYER_BEND_MM = 2.0


@dataclass(frozen=True)
class TissueNoise:
    """scatterers (1, 2, N, N, N) real and imaginary parts, variance 1/2 each;  slow (1, 2, M, M, M), variance 1.

    Both repeat in space. The last layer of each axis repeats the first, so that reading wraps around.
    """

    scatterers: Tensor
    slow: Tensor

    def at_rest(self, points: Tensor) -> Tensor:
        """Where in the resting body the tissue at (B, L, S, 3) mm belongs, at which to read all noise."""
        return points

    def read_slice(self, points: Tensor, across: Tensor, slice_thickness_mm: Tensor) -> tuple[Tensor, Tensor]:
        """Scatterers at (B, L, S, 3) mm as a slice of slice_thickness_mm (B,) thickness, two ways at -6 dB, adds them up.

        A slice that moves along its normal ``across`` (B, 3) keeps its speckle for about its own thickness: a Gaussian
        profile of deviation s makes echoes alike by exp(-d^2 / 4 s^2) over a distance d (autocorrelation of the
        profile). Instead of adding layers, the body is read squeezed along the normal by the share that gives this. A
        plane that turns slides its speckle along itself, by the turn times its distance from the body's middle: a tenth
        of a millimetre from one frame of a sweep to the next.
        """
        profile = slice_thickness_mm / (2 * math.sqrt(2 * math.log(2)))
        squeeze = (SCATTERER_CORRELATION_MM / (math.sqrt(2) * profile)).clamp(max=1)
        normal = across[:, None, None]
        off = (points * normal).sum(-1, keepdim=True)
        return self.read_scatterers(points - (1 - squeeze)[:, None, None, None] * off * normal)

    def read_scatterers(self, points: Tensor) -> tuple[Tensor, Tensor]:
        """Complex scatterer amplitude of unit power at (B, L, S, 3) mm: real and imaginary (B, L, S)."""
        size = self.scatterers.shape[-1] - 1
        place = points / SCATTERER_SPACING_MM
        values = _read(self.scatterers, place % size)
        # Between the nodes a linear blend of independent values has less power; give it back.
        part = place - torch.floor(place)
        along_x, along_y, along_z = (1 - 2 * part * (1 - part)).unbind(-1)
        scale = torch.rsqrt(along_x * along_y * along_z)
        return values[:, 0] * scale, values[:, 1] * scale

    def read_layers(self, points: Tensor, bend: Tensor) -> Tensor:
        """(B, L, S) of about unit variance at (B, L, S, 3) mm: thin sheets across the body's x axis, as fascia and
        the fibres of muscle are, bent by ``bend`` (B, L, S).
        """
        stretched = points / points.new_tensor(LAYER_SPACING_MM)
        across = stretched[..., :1] + bend[..., None] * (LAYER_BEND_MM / LAYER_SPACING_MM[0])
        size = self.slow.shape[-1] - 1
        return _read(self.slow[:, :1], torch.cat([across, stretched[..., 1:]], -1) % size)[:, 0]

    def read_slow(self, points: Tensor) -> tuple[Tensor, Tensor]:
        """Two slow fields of about unit variance at (B, L, S, 3) mm, the second four times finer; (B, L, S) each."""
        size = self.slow.shape[-1] - 1
        coarse = _read(self.slow[:, :1], (points * (1 / UNEVENNESS_SPACING_MM)) % size)
        fine = _read(self.slow[:, 1:], (points * (4 / UNEVENNESS_SPACING_MM)) % size)
        return coarse[:, 0], fine[:, 0]


@dataclass(frozen=True)
class SweepNoise(TissueNoise):
    """Noise for planes of which several belong to one sweep.

    Squeezed along each plane's own normal, the body would be another one for each, and a probe that tilts by a third
    of a degree would leave nothing alike. across (B, 3) : unit vectors to squeeze along instead, the same in a sweep,
    near the normals of its planes
    """

    across: Tensor

    @classmethod
    def of(cls, noise: TissueNoise, across: Tensor) -> SweepNoise:
        return cls(noise.scatterers, noise.slow, across)

    def read_slice(self, points: Tensor, across: Tensor, slice_thickness_mm: Tensor) -> tuple[Tensor, Tensor]:
        return super().read_slice(points, self.across, slice_thickness_mm)


def _read(volume: Tensor, place: Tensor) -> Tensor:
    """(1, C, N, N, N) volume at (B, L, S, 3) positions in nodes -> (B, C, L, S)."""
    batch = place.shape[0]
    nodes = volume.shape[-1]
    flat = place.flatten(0, 1)[None] * (2 / (nodes - 1)) - 1  # (1, B L, S, 3)
    values = functional.grid_sample(volume, flat[:, None], mode="bilinear", align_corners=True)
    read: Tensor = values[0, :, 0].reshape(len(volume[0]), batch, *place.shape[1:3]).transpose(0, 1)
    return read


def make_tissue_noise(generator: torch.Generator, *, nodes: int = 144, slow_nodes: int = 48) -> TissueNoise:
    """Fresh noise on the generator's device."""
    device = generator.device
    scatterers = torch.randn(1, 2, nodes, nodes, nodes, generator=generator, device=device) * 0.5**0.5
    slow = torch.randn(1, 2, slow_nodes, slow_nodes, slow_nodes, generator=generator, device=device)
    # A box blur along each axis, wrapped, then brought back to unit variance.
    for axis in (2, 3, 4):
        slow = slow + slow.roll(1, axis) + slow.roll(-1, axis)
    slow = (slow - slow.mean()) / slow.std()
    return TissueNoise(_wrapped(scatterers), _wrapped(slow))


def _wrapped(volume: Tensor) -> Tensor:
    for axis in (2, 3, 4):
        volume = torch.cat([volume, volume.narrow(axis, 0, 1)], dim=axis)
    return volume
