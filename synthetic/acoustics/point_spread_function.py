"""The point spread function: how a scanner blurs echoes, along the beam by its pulse, across it by its aperture."""

from __future__ import annotations

import math
from dataclasses import dataclass

import torch
from torch import Tensor

from synthetic.acoustics.geometry import BeamGrid, Scanner
from synthetic.acoustics.physics import SCATTERERS, Physics
from synthetic.acoustics.shells import SOFT_TISSUE
from synthetic.appearance.smoothing import interpolate_linear

__all__ = ["FWHM", "PointSpreadFunction", "point_spread_function"]

FWHM = 2 * math.sqrt(2 * math.log(2))  # full width at half maximum of a Gaussian of standard deviation 1


@dataclass(frozen=True)
class _PsfModel:
    """Algorithm's numbers of the point spread function.

    lateral_width : two-way width at half maximum at the focus, in wavelengths times the F number (theory)
    axial_width : two-way width at half maximum of a Gaussian pulse, in half wavelengths over the bandwidth (theory)
    defocus : how fast the squared width grows with the distance from the focus (common practice, no source)
    least_width : near the face, against that at the focus, if focusing follows the depth (common practice, no source)
    margin : lines and samples by which the field is mirrored at its ends, more than any blur reaches
    depths : at which the power that is left is computed; between them it is interpolated
    """

    lateral_width: float = 0.886
    axial_width: float = 0.8825
    defocus: float = 2.0
    least_width: float = 1 / 3
    margin: int = 16
    depths: int = 24


_MODEL = _PsfModel()


@dataclass(frozen=True)
class PointSpreadFunction:
    """A Gaussian along and across the beam.

    axial_sigma : (B, 1, 1) standard deviation in samples, of amplitude;  lateral_sigma : (B, 1, S) in lines, by depth
    axial_sigma_mm : (B,) the first in mm
    speckle_power : (B, 1, S) share of the power of tissue's scatterers that the blur leaves
    """

    axial_sigma: Tensor
    lateral_sigma: Tensor
    axial_sigma_mm: Tensor
    speckle_power: Tensor

    def blur(self, field: Tensor) -> Tensor:
        """(B, L, S) complex amplitudes, blurred, and scaled so that plain tissue of unit scatterers has unit power.

        Beyond the outermost lines and samples the field continues as its mirror image. Without that the blur would
        wrap around, and the skin would shine at the bottom of the picture.
        """
        lines, samples = field.shape[1:]
        padded = _mirrored(_mirrored(field, 1), 2)
        spectrum = torch.fft.fft2(padded)
        along = torch.fft.fftfreq(padded.shape[2], device=field.device)
        spectrum = torch.fft.ifft(spectrum * _transfer(self.axial_sigma * along), dim=2)[..., :samples]
        # Across the beam, each depth has its own width.
        across = torch.fft.fftfreq(padded.shape[1], device=field.device)
        blurred = torch.fft.ifft(spectrum * _transfer(self.lateral_sigma * across[:, None]), dim=1)[:, :lines]
        result: Tensor = blurred * self.speckle_power.rsqrt()
        return result


def point_spread_function(
    scanner: Scanner,
    grid: BeamGrid,
    *,
    f_number: Tensor,
    focus_mm: Tensor,
    bandwidth: Tensor,
    physics: Physics = SCATTERERS,
) -> PointSpreadFunction:
    """The point spread functions of B scanners on their grids of beams.

    Full width at half maximum, two ways: across the beam 0.886 lambda F# at the focus, along it c / 2 x 0.8825 /
    bandwidth for a Gaussian pulse (both computed from theory). Away from the focus the width grows as that of a
    Gaussian beam; how fast is common practice, no source. If focusing follows the depth, the width is everywhere that
    of a focus, lambda times depth over aperture, and near the face no less than a third of that at the focus.

    f_number, focus_mm, bandwidth : (B,); bandwidth at -6 dB as a share of the frequency
    """
    wavelength = SOFT_TISSUE.speed / scanner.frequency_mhz  # mm
    axial_sigma_mm = SOFT_TISSUE.speed / 2 * _MODEL.axial_width / (bandwidth * scanner.frequency_mhz) / FWHM
    focus = focus_mm[:, None, None]
    off_focus = (grid.depth - focus) / focus
    at_focus_mm = (_MODEL.lateral_width / FWHM * wavelength * f_number)[:, None, None]
    if physics.follows_depth:
        lateral_sigma_mm = at_focus_mm * (grid.depth / focus).clamp(min=_MODEL.least_width)
    else:
        lateral_sigma_mm = at_focus_mm * torch.sqrt(1 + _MODEL.defocus * off_focus**2)
    lines, samples = grid.x.shape[1:]
    spacing = 2 * scanner.half_angle_rad[:, None, None] * (scanner.radius_mm[:, None, None] + grid.depth) / (lines - 1)
    axial_sigma, lateral_sigma = axial_sigma_mm[:, None, None] / grid.step, lateral_sigma_mm / spacing

    # The power changes slowly along the beam, so it is computed at a few depths.
    at = torch.linspace(0, samples - 1, _MODEL.depths, device=lateral_sigma.device).round().long()
    correlation_mm = physics.tissue.scatterer_correlation_mm
    across = _power_left(lateral_sigma[..., at], spacing[..., at], lines, correlation_mm)
    along = _power_left(axial_sigma, grid.step, samples, correlation_mm)
    power_log = interpolate_linear((across * along).log(), samples, align_corners=True)
    return PointSpreadFunction(axial_sigma, lateral_sigma, axial_sigma_mm, power_log.exp())


def _mirrored(field: Tensor, dim: int) -> Tensor:
    """The field, longer by a margin that mirrors first its end and then its beginning, which follows on wrapping."""
    size = field.shape[dim]
    margin = min(_MODEL.margin, size)
    end, beginning = field.narrow(dim, size - margin, margin), field.narrow(dim, 0, margin)
    return torch.cat([field, end.flip(dim), beginning.flip(dim)], dim=dim)


def _transfer(cycles: Tensor) -> Tensor:
    """Fourier transform of a Gaussian, at its standard deviation times the frequency."""
    # Cut off where it no longer matters: processors are slow at numbers too small for their normal form.
    return torch.exp(-(2 * torch.pi**2 * cycles**2).clamp(max=40))


def _power_left(sigma: Tensor, spacing_mm: Tensor, number: int, correlation_mm: float) -> Tensor:
    """(B, 1, N) power that a blur of sigma (B, 1, N) samples leaves of unit scatterers, one sample each spacing_mm.

    correlation_mm : of the scatterers, see TissueModel

    Scatterers nearer to each other than the tissue's grain are correlated, so a blur removes less of them than of
    independent ones. The power is the mean of the blur's squared transfer function over the spectrum of the samples,
    and that spectrum is the transform of the correlation between samples.
    """
    frequency = torch.fft.fftfreq(number, device=sigma.device)[:, None]
    spectrum = torch.ones_like(frequency)
    for apart in range(1, 9):
        correlation = torch.exp(-0.5 * (apart * spacing_mm / correlation_mm) ** 2)
        spectrum = spectrum + 2 * correlation * torch.cos(2 * torch.pi * apart * frequency)
    return (spectrum * _transfer(sigma * frequency) ** 2).mean(1, keepdim=True)
