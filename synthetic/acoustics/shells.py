"""Egg shells as thin layers: what they reflect and what they let through, averaged over a pulse's band.

A shell is a layer between soft tissue and albumen. Its mineral content sets its speed of sound and density, between a
membrane without mineral (from memory, unsure) and the shell of 4500 m/s and 2300 kg/m3 that the literature assumes for
turtles; no measured values are published. For one frequency and without absorption such a layer turns transparent
where it is half a wave thick (0.3 mm at 7.5 MHz). A real shell, porous and grainy, does not, and no pulse has one
frequency: both are part of the model, so that a thicker shell always casts the deeper shadow.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import torch
from torch import Tensor

__all__ = ["Shell", "ShellEcho", "critical_sine", "evanescent_depth", "shell_echo", "tunnelling_db"]

# Speed of sound in mm/us, density in g/ml.
_SOFT_TISSUE = (1.54, 1.05)
_ALBUMEN = (1.53, 1.035)
_MEMBRANE = (1.65, 1.1)
_FULL_SHELL = (4.5, 2.3)

DB_PER_NEPER = 20 / math.log(10)
_BAND_STEPS = 9


@dataclass(frozen=True)
class Shell:
    """Shells, all of one shape: thickness_mm;  mineral content, 0 a membrane to 1;  absorption, dB/mm/MHz one way, of
    all that pores and grains take out of the beam.
    """

    thickness_mm: Tensor
    mineral: Tensor
    absorption: Tensor

    @property
    def speed(self) -> Tensor:
        """Of sound, mm/us."""
        return _MEMBRANE[0] + self.mineral * (_FULL_SHELL[0] - _MEMBRANE[0])

    @property
    def density(self) -> Tensor:
        """g/ml."""
        return _MEMBRANE[1] + self.mineral * (_FULL_SHELL[1] - _MEMBRANE[1])


@dataclass(frozen=True)
class ShellEcho:
    """Of each shell where the beam meets it squarely, intensities in dB: reflected_db, against a perfect mirror, 0 or
    less;  loss_db, of one crossing one way, 0 or more.
    """

    reflected_db: Tensor
    loss_db: Tensor


def shell_echo(shell: Shell, *, frequency_mhz: Tensor, bandwidth: Tensor) -> ShellEcho:
    """What shells do to pulses of the given middle frequency and bandwidth (-6 dB, a share of the frequency).

    With the pressure coefficients r and t of the two faces, the complex wave number k and e = exp(2 i k d), a layer of
    thickness d reflects (r12 + r23 e) / (1 + r12 r23 e) and passes t12 t23 sqrt(e) / (1 + r12 r23 e) of the pressure.
    Without absorption the latter is the textbook's intensity
    4 Z1 Z3 / [(Z1 + Z3)^2 cos^2 kd + (Z2 + Z1 Z3 / Z2)^2 sin^2 kd]. Averaged over a Gaussian band.
    """
    z1, z3 = _SOFT_TISSUE[0] * _SOFT_TISSUE[1], _ALBUMEN[0] * _ALBUMEN[1]
    z2 = (shell.speed * shell.density)[..., None]
    # Frequencies up to a bandwidth from the middle; amplitude falls to a half, intensity to a quarter, at half of it.
    off = torch.linspace(-1, 1, _BAND_STEPS, device=z2.device)
    weight = torch.exp(-8 * math.log(2) * off**2)
    weight = weight / weight.sum()
    frequency = (frequency_mhz[..., None] * (1 + bandwidth[..., None] * off)).clamp(min=0.1)
    phase = 2 * torch.pi * frequency * (shell.thickness_mm / shell.speed)[..., None]
    absorbed = frequency * (shell.absorption * shell.thickness_mm / DB_PER_NEPER)[..., None]
    there_and_back = torch.exp(torch.complex(-2 * absorbed, 2 * phase))
    first, second = (z2 - z1) / (z2 + z1), (z3 - z2) / (z3 + z2)
    through = 1 + first * second * there_and_back
    reflected = ((first + second * there_and_back) / through).abs() ** 2
    passed = (1 + first) * (1 + second) * torch.exp(-absorbed) / through.abs()
    passed = passed**2 * z1 / z3
    return ShellEcho(10 * torch.log10((weight * reflected).sum(-1)), -10 * torch.log10((weight * passed).sum(-1)))


def critical_sine(shell: Shell) -> Tensor:
    """Sine of the angle between beam and normal beyond which no wave travels on in the shell.

    20.0 degrees from soft tissue to the full shell (computed). The shell's shear waves, which pass a little more, are
    left out.
    """
    return (_SOFT_TISSUE[0] / shell.speed).clamp(max=1)


def evanescent_depth(shell: Shell, frequency_mhz: Tensor) -> Tensor:
    """Nepers that sound fades by across the shell beyond the critical angle, over sqrt(sine^2 - critical sine^2): the
    imaginary part of its wave number across the layer, times the thickness.
    """
    return 2 * torch.pi * frequency_mhz / _SOFT_TISSUE[0] * shell.thickness_mm


def tunnelling_db(depth: Tensor) -> Tensor:
    """What a layer that sound fades across by ``depth`` nepers takes, one way.

    A layer between alike media passes 1 / (1 + (r + 1 / r)^2 / 4 sinh^2 depth) of the intensity, with r the ratio of
    impedances across the layer, which for shell and soft tissue is near 1 at the angles that matter: 20 log10 cosh of
    the depth. sqrt(1 + depth^2) - 1 is that within 0.3 neper, and cheap.
    """
    return DB_PER_NEPER * ((1 + depth * depth).sqrt() - 1)
