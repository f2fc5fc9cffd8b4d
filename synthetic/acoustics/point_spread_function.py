"""How far a scanner smears what it hears: along the beam by the length of its pulse, across it by its aperture."""

from __future__ import annotations

import math
from dataclasses import dataclass

import torch
from torch import Tensor

from synthetic.acoustics.geometry import BeamGrid, Scanner
from synthetic.acoustics.tissue import SCATTERER_CORRELATION_MM
from synthetic.appearance.smoothing import interpolate_linear

__all__ = ["FWHM", "PointSpreadFunction", "point_spread_function"]

FWHM = 2 * math.sqrt(2 * math.log(2))  # full width at half maximum of a Gaussian of deviation 1
_MARGIN = 16
_KNOTS = 24


@dataclass(frozen=True)
class PointSpreadFunction:
    """A Gaussian along and across the beam.

    axial_sigma (B, 1, 1) : deviation in samples, of amplitude;  lateral_sigma (B, 1, S) : in lines, at each depth
    axial_sigma_mm (B,) : the former in mm
    speckle_power (B, 1, S) : what the blur leaves of the power of tissue's scatterers
    """

    axial_sigma: Tensor
    lateral_sigma: Tensor
    axial_sigma_mm: Tensor
    speckle_power: Tensor

    def blur(self, field: Tensor) -> Tensor:
        """(B, L, S) complex amplitudes smeared, and scaled so that plain tissue of unit scatterers has unit power.

        Beyond the outermost lines and samples the field goes on as its mirror image, else the skin would shine at
        the bottom of the picture.
        """
        lines, samples = field.shape[1:]
        padded = _mirrored(_mirrored(field, 1), 2)
        spectrum = torch.fft.fft2(padded)
        along = torch.fft.fftfreq(padded.shape[2], device=field.device)
        spectrum = torch.fft.ifft(spectrum * _transfer(self.axial_sigma * along), dim=2)[..., :samples]
        # Each depth is smeared across by a width of its own.
        across = torch.fft.fftfreq(padded.shape[1], device=field.device)
        smeared = torch.fft.ifft(spectrum * _transfer(self.lateral_sigma * across[:, None]), dim=1)[:, :lines]
        result: Tensor = smeared * self.speckle_power.rsqrt()
        return result


def point_spread_function(
    scanner: Scanner, grid: BeamGrid, *, f_number: Tensor, focus_mm: Tensor, bandwidth: Tensor
) -> PointSpreadFunction:
    """The spread of B scanners on their grids of beams.

    Full width at half maximum, two ways: across 0.886 lambda F# at the focus, along c / 2 x 0.8825 / bandwidth for a
    Gaussian pulse (both computed from theory). Away from the focus the width grows as a Gaussian beam's does; how fast
    is common practice, no source.

    f_number, focus_mm, bandwidth (B,) : bandwidth at -6 dB as a share of the frequency
    """
    wavelength = 1.54 / scanner.frequency_mhz  # mm
    axial_sigma_mm = 0.77 * 0.8825 / (bandwidth * scanner.frequency_mhz) / FWHM
    focus = focus_mm[:, None, None]
    off_focus = (grid.depth - focus) / focus
    across_mm = (0.886 / FWHM * wavelength * f_number)[:, None, None] * torch.sqrt(1 + 2.0 * off_focus**2)
    lines, samples = grid.x.shape[1:]
    spacing = 2 * scanner.half_angle_rad[:, None, None] * (scanner.radius_mm[:, None, None] + grid.depth) / (lines - 1)
    along, across = axial_sigma_mm[:, None, None] / grid.step, across_mm / spacing

    # The power changes slowly along the beam: a few depths tell it.
    knots = torch.linspace(0, samples - 1, _KNOTS, device=across.device).round().long()
    power = _power_left(across[..., knots], spacing[..., knots], lines) * _power_left(along, grid.step, samples)
    level = interpolate_linear(power.log(), samples, align_corners=True)
    return PointSpreadFunction(along, across, axial_sigma_mm, level.exp())


def _mirrored(field: Tensor, dim: int) -> Tensor:
    """Longer by a margin in which first the end is mirrored and then the beginning, which follows when it wraps."""
    size = field.shape[dim]
    margin = min(_MARGIN, size)
    end, beginning = field.narrow(dim, size - margin, margin), field.narrow(dim, 0, margin)
    return torch.cat([field, end.flip(dim), beginning.flip(dim)], dim=dim)


def _transfer(cycles: Tensor) -> Tensor:
    """Fourier transform of a Gaussian, at its deviation times frequency."""
    # Cut off where it no longer matters: processors are slow at numbers too small for their usual form.
    return torch.exp(-(2 * torch.pi**2 * cycles**2).clamp(max=40))


def _power_left(sigma: Tensor, spacing_mm: Tensor, number: int) -> Tensor:
    """(B, 1, N) power that a blur of sigma (B, 1, N) samples leaves of unit scatterers, one sample each spacing_mm.

    Scatterers nearer to each other than the tissue's grain are alike, so that a blur takes less of them than of
    independent ones. The power is the mean of the blur's squared transfer over the spectrum of the samples, and that
    the transform of the correlation between samples.
    """
    frequency = torch.fft.fftfreq(number, device=sigma.device)[:, None]
    spectrum = torch.ones_like(frequency)
    for apart in range(1, 9):
        alike = torch.exp(-0.5 * (apart * spacing_mm / SCATTERER_CORRELATION_MM) ** 2)
        spectrum = spectrum + 2 * alike * torch.cos(2 * torch.pi * apart * frequency)
    return (spectrum * _transfer(sigma * frequency) ** 2).mean(1, keepdim=True)
