"""Noise that is fixed in the body: the scatterers that make speckle, and the coarse unevenness of tissue.

Both are volumes in body coordinates. So a probe at rest shows a picture at rest, and in a slow sweep the speckle
decorrelates as it should.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, field

import torch
from torch import Tensor
from torch.nn import functional

__all__ = ["TISSUE", "SweepNoise", "TissueModel", "TissueNoise", "make_tissue_noise"]


@dataclass(frozen=True)
class TissueModel:
    """Lengths of the noise, mm.

    scatterer_spacing_mm : so fine that a resolution cell of 0.2 x 0.5 x 2 mm holds ten scatterers, as speckle needs
    (common practice)
    unevenness_spacing_mm : between the nodes of the coarse unevenness (no source)
    layer_spacing_mm : thickness of sheets across the body's x axis, and their extent along y and z (no source)
    layer_bend_mm : by which sheets bend with the tissue, per unit of coarse unevenness (no source)
    cluster_shape : shape of the gamma distribution of the scatterers' power, so that envelopes are K-distributed
    (Jakeman and Pusey, IEEE Trans Antennas Propag 24:806, 1976); None for scatterers that are alike, and Rayleigh
    cluster_spacing_mm : between the nodes of that power (no source)
    """

    scatterer_spacing_mm: float = 0.25
    unevenness_spacing_mm: float = 5.0
    layer_spacing_mm: tuple[float, float, float] = (0.7, 7.0, 7.0)
    layer_bend_mm: float = 2.0
    cluster_shape: float | None = None
    cluster_spacing_mm: float = 1.0

    @property
    def scatterer_correlation_mm(self) -> float:
        """Standard deviation of the Gaussian that describes how scatterers correlate over a distance, in any direction.

        They correlate because they are blended between the nodes (measured: 0.74, 0.29 and 0.04 of 1 at a half, one
        and one and a half spacings).
        """
        return 0.64 * self.scatterer_spacing_mm


TISSUE = TissueModel()


@dataclass(frozen=True)
class TissueNoise:
    """scatterers : (1, 2, N, N, N) real and imaginary parts, variance 1/2 each;  slow : (1, 2, M, M, M), variance 1
    model : the lengths at which they are read

    Both repeat in space. The last layer along each axis repeats the first, so that reading wraps around.
    """

    scatterers: Tensor
    slow: Tensor
    model: TissueModel = field(default=TISSUE, kw_only=True)

    def at_rest(self, points: Tensor) -> Tensor:
        """Where in the resting body the tissue at (B, L, S, 3) mm comes from: all noise is read there."""
        return points

    def read_slice(self, points: Tensor, across: Tensor, slice_thickness_mm: Tensor) -> tuple[Tensor, Tensor]:
        """Scatterers at (B, L, S, 3) mm, summed over a slice: real and imaginary parts (B, L, S) of unit power.

        across : (B, 3) unit normal of the slice;  slice_thickness_mm : (B,) two ways at -6 dB

        A slice that moves along its normal keeps its speckle for about its own thickness: over a distance d, a
        Gaussian profile of standard deviation s correlates the echoes by exp(-d^2 / 4 s^2) (autocorrelation of the
        profile). Instead of summing layers, the body is compressed along the normal by the factor that gives the same.
        The speckle of a plane that turns then slides along it, by the turn times its distance from the body's middle:
        a tenth of a millimetre from one frame of a sweep to the next.
        """
        profile = slice_thickness_mm / (2 * math.sqrt(2 * math.log(2)))
        compression = (self.model.scatterer_correlation_mm / (math.sqrt(2) * profile)).clamp(max=1)
        normal = across[:, None, None]
        height = (points * normal).sum(-1, keepdim=True)
        real, imaginary = self.read_scatterers(points - (1 - compression)[:, None, None, None] * height * normal)
        if self.model.cluster_shape is None:
            return real, imaginary
        amplitude = self._cluster_amplitude(points, self.model.cluster_shape)
        return real * amplitude, imaginary * amplitude

    def _cluster_amplitude(self, points: Tensor, shape: float) -> Tensor:
        """(B, L, S) root of a gamma-distributed power of mean 1 at (B, L, S, 3) mm.

        From the normal noise by the cube of Wilson and Hilferty (Proc Natl Acad Sci 17:684, 1931).
        """
        size = self.slow.shape[-1] - 1
        normal = _read(self.slow[:, 1:], (points * (1 / self.model.cluster_spacing_mm)) % size)[:, 0]
        root = (1 - 1 / (9 * shape) + normal / (3 * math.sqrt(shape))).clamp(min=0)
        return root * root.sqrt()

    def read_scatterers(self, points: Tensor) -> tuple[Tensor, Tensor]:
        """Complex scatterer amplitude of unit power at (B, L, S, 3) mm: real and imaginary parts (B, L, S)."""
        size = self.scatterers.shape[-1] - 1
        place = points / self.model.scatterer_spacing_mm
        values = _read(self.scatterers, place % size)
        # Between the nodes, a linear blend of independent values has less power. This restores it.
        part = place.movedim(-1, 0).contiguous()  # a third of the time, since the axes are multiplied with each other
        part = part - torch.floor(part)
        along_x, along_y, along_z = 1 - 2 * part * (1 - part)
        scale = torch.rsqrt(along_x * along_y * along_z)
        return values[:, 0] * scale, values[:, 1] * scale

    def read_layers(self, points: Tensor, bend: Tensor) -> Tensor:
        """(B, L, S) of about unit variance at (B, L, S, 3) mm: thin sheets across the body's x axis, like fascia and
        muscle fibres, bent by ``bend`` (B, L, S).
        """
        stretched = points / points.new_tensor(self.model.layer_spacing_mm)
        across = stretched[..., :1] + bend[..., None] * (self.model.layer_bend_mm / self.model.layer_spacing_mm[0])
        size = self.slow.shape[-1] - 1
        return _read(self.slow[:, :1], torch.cat([across, stretched[..., 1:]], -1) % size)[:, 0]

    def read_slow(self, points: Tensor) -> tuple[Tensor, Tensor]:
        """Two fields of about unit variance at (B, L, S, 3) mm, the second four times finer; (B, L, S) each."""
        size = self.slow.shape[-1] - 1
        coarse = _read(self.slow[:, :1], (points * (1 / self.model.unevenness_spacing_mm)) % size)
        fine = _read(self.slow[:, 1:], (points * (4 / self.model.unevenness_spacing_mm)) % size)
        return coarse[:, 0], fine[:, 0]


@dataclass(frozen=True)
class SweepNoise(TissueNoise):
    """Noise for planes of which several belong to one sweep.

    Compressed along each plane's own normal, the body would differ from plane to plane, and a probe that tilts by a
    third of a degree would lose all correlation.

    across : (B, 3) unit vectors to compress along instead: one for each sweep, near the normals of its planes
    """

    across: Tensor

    @classmethod
    def of(cls, noise: TissueNoise, across: Tensor) -> SweepNoise:
        return cls(noise.scatterers, noise.slow, across, model=noise.model)

    def read_slice(self, points: Tensor, across: Tensor, slice_thickness_mm: Tensor) -> tuple[Tensor, Tensor]:
        return super().read_slice(points, self.across, slice_thickness_mm)


def _read(volume: Tensor, place: Tensor) -> Tensor:
    """(B, C, L, S) values of a (1, C, N, N, N) volume at (B, L, S, 3) positions, counted in nodes."""
    batch = place.shape[0]
    nodes = volume.shape[-1]
    flat = place.flatten(0, 1)[None] * (2 / (nodes - 1)) - 1  # (1, B L, S, 3)
    values = functional.grid_sample(volume, flat[:, None], mode="bilinear", align_corners=True)
    read: Tensor = values[0, :, 0].reshape(len(volume[0]), batch, *place.shape[1:3]).transpose(0, 1)
    return read


def make_tissue_noise(
    generator: torch.Generator, model: TissueModel = TISSUE, *, nodes: int = 144, slow_nodes: int = 48
) -> TissueNoise:
    """New noise on the generator's device. nodes, slow_nodes : along each side of the two volumes"""
    device = generator.device
    scatterers = torch.randn(1, 2, nodes, nodes, nodes, generator=generator, device=device) * 0.5**0.5
    slow = torch.randn(1, 2, slow_nodes, slow_nodes, slow_nodes, generator=generator, device=device)
    # A box blur along each axis, wrapped, then brought back to unit variance.
    for axis in (2, 3, 4):
        slow = slow + slow.roll(1, axis) + slow.roll(-1, axis)
    slow = (slow - slow.mean()) / slow.std()
    # Real and imaginary part side by side: they are read together, and fetching them takes longest.
    packed = _wrapped(scatterers).contiguous(memory_format=torch.channels_last_3d)
    return TissueNoise(packed, _wrapped(slow), model=model)


def _wrapped(volume: Tensor) -> Tensor:
    for axis in (2, 3, 4):
        volume = torch.cat([volume, volume.narrow(axis, 0, 1)], dim=axis)
    return volume
