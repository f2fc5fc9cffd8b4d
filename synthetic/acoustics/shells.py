"""Egg shells as thin layers: what they reflect and what they let through, averaged over a pulse's band.

A shell is a layer between soft tissue and albumen. Its mineral content sets its speed of sound and its density, between
a membrane without mineral (from memory, unsure) and the shell of 4500 m/s and 2300 kg/m3 that the literature assumes
for turtles; no measured values are published. At a single frequency and without absorption such a layer turns
transparent where it is half a wavelength thick (0.3 mm at 7.5 MHz). A real shell, porous and grainy, does not, and no
pulse has a single frequency. The model includes both effects, so a thicker shell always casts a deeper shadow.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import torch
from torch import Tensor

from synthetic.decibels import DB_PER_NEPER, db_from_power

__all__ = ["SOFT_TISSUE", "Shell", "ShellEcho", "critical_sine", "evanescent_depth", "shell_echo", "tunnelling_db"]


@dataclass(frozen=True)
class _Medium:
    """speed : of sound, mm/us;  density : g/ml"""

    speed: float
    density: float

    @property
    def impedance(self) -> float:
        """MRayl."""
        return self.speed * self.density


SOFT_TISSUE = _Medium(1.54, 1.05)
_ALBUMEN = _Medium(1.53, 1.035)
_MEMBRANE = _Medium(1.65, 1.1)
_FULL_SHELL = _Medium(4.5, 2.3)

_BAND_STEPS = 9  # frequencies over which a pulse's band is averaged
_MIN_FREQUENCY_MHZ = 0.1


@dataclass(frozen=True)
class Shell:
    """Shells; all three tensors have the same shape.

    thickness_mm : of the layer;  mineral : content from 0, a membrane, to 1
    absorption : one way, dB/mm/MHz, of all that pores and grains take out of the beam
    """

    thickness_mm: Tensor
    mineral: Tensor
    absorption: Tensor

    @property
    def speed(self) -> Tensor:
        """Speed of sound, mm/us."""
        return _MEMBRANE.speed + self.mineral * (_FULL_SHELL.speed - _MEMBRANE.speed)

    @property
    def density(self) -> Tensor:
        """g/ml."""
        return _MEMBRANE.density + self.mineral * (_FULL_SHELL.density - _MEMBRANE.density)


@dataclass(frozen=True)
class ShellEcho:
    """What each shell does to a beam that meets it at a right angle; intensities in dB.

    reflected_db : against a perfect mirror, 0 or less;  loss_db : of one crossing one way, 0 or more
    """

    reflected_db: Tensor
    loss_db: Tensor


def shell_echo(shell: Shell, *, frequency_mhz: Tensor, bandwidth: Tensor) -> ShellEcho:
    """What shells do to pulses of the given centre frequency and bandwidth (at -6 dB, as a share of the frequency).

    With the pressure coefficients r and t of the two faces, the complex wave number k and e = exp(2 i k d), a layer of
    thickness d reflects (r12 + r23 e) / (1 + r12 r23 e) and transmits t12 t23 sqrt(e) / (1 + r12 r23 e) of the
    pressure. Without absorption the latter is the textbook's intensity
    4 Z1 Z3 / [(Z1 + Z3)^2 cos^2 kd + (Z2 + Z1 Z3 / Z2)^2 sin^2 kd]. Averaged over a Gaussian band.
    """
    z1, z3 = SOFT_TISSUE.impedance, _ALBUMEN.impedance
    z2 = (shell.speed * shell.density)[..., None]
    # Frequencies up to one bandwidth from the centre. At half a bandwidth from it the amplitude has fallen to a half
    # and the intensity to a quarter.
    offset = torch.linspace(-1, 1, _BAND_STEPS, device=z2.device)
    weight = torch.exp(-8 * math.log(2) * offset**2)
    weight = weight / weight.sum()
    frequency = (frequency_mhz[..., None] * (1 + bandwidth[..., None] * offset)).clamp(min=_MIN_FREQUENCY_MHZ)
    phase = 2 * torch.pi * frequency * (shell.thickness_mm / shell.speed)[..., None]
    absorbed = frequency * (shell.absorption * shell.thickness_mm / DB_PER_NEPER)[..., None]
    round_trip = torch.exp(torch.complex(-2 * absorbed, 2 * phase))
    first, second = (z2 - z1) / (z2 + z1), (z3 - z2) / (z3 + z2)
    multiple = 1 + first * second * round_trip  # the sum over all echoes between the two faces
    reflected = ((first + second * round_trip) / multiple).abs() ** 2
    transmitted = (1 + first) * (1 + second) * torch.exp(-absorbed) / multiple.abs()
    transmitted = transmitted**2 * z1 / z3
    return ShellEcho(db_from_power((weight * reflected).sum(-1)), -db_from_power((weight * transmitted).sum(-1)))


def critical_sine(shell: Shell) -> Tensor:
    """Sine of the angle between beam and normal beyond which no wave travels on in the shell.

    20.0 degrees from soft tissue to the full shell (computed). The shell's shear waves, which let a little more pass,
    are left out.
    """
    return (SOFT_TISSUE.speed / shell.speed).clamp(max=1)


def evanescent_depth(shell: Shell, frequency_mhz: Tensor) -> Tensor:
    """Nepers by which sound decays across the shell beyond the critical angle, over sqrt(sine^2 - critical sine^2).

    This is the imaginary part of its wave number across the layer, times the thickness.
    """
    return 2 * torch.pi * frequency_mhz / SOFT_TISSUE.speed * shell.thickness_mm


def tunnelling_db(depth: Tensor) -> Tensor:
    """One-way loss in dB of a layer across which sound decays by ``depth`` nepers.

    A layer between equal media transmits 1 / (1 + (r + 1 / r)^2 / 4 sinh^2 depth) of the intensity. The ratio r of the
    impedances across the layer is near 1 for shell and soft tissue at the angles that matter, so the loss is
    20 log10 cosh of the depth. sqrt(1 + depth^2) - 1 is that within 0.3 neper, and fast.
    """
    return DB_PER_NEPER * ((1 + depth * depth).sqrt() - 1)
