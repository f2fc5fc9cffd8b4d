"""A slice through a phantom, rendered as echoes along beams.

Modelled: speckle from scatterers fixed in the body, blurred by a point spread function that depends on depth; echoes
of surfaces by angle; shells as thin layers, with drop-out beyond the critical angle; attenuation, shell losses and
shadows, summed along the beam; refraction shadows at grazing surfaces; displacement within a body by its speed of
sound; ring-down and dirty shadow of gas; reverberation between body wall and probe; noise that the depth gain (TGC)
amplifies. Not modelled: interference of surfaces true to phase, displacement behind a body, multiple scattering.
"""

from __future__ import annotations

from dataclasses import dataclass

import torch
from torch import Tensor

from synthetic.acoustics.background import tissue_background
from synthetic.acoustics.console import Console
from synthetic.acoustics.drawing import Unevenness, draw_bodies
from synthetic.acoustics.geometry import BeamGrid, Scanner, beam_grid
from synthetic.acoustics.physics import SCATTERERS, Physics
from synthetic.acoustics.point_spread_function import point_spread_function
from synthetic.acoustics.render_parameters import Plane, Pulse, Slice
from synthetic.acoustics.shadows import accumulated_loss
from synthetic.acoustics.tissue import TissueNoise
from synthetic.appearance.smoothing import interpolate_linear
from synthetic.decibels import amplitude_from_db, db_from_amplitude

__all__ = ["Beams", "Console", "Plane", "Slice", "render_beams"]


@dataclass(frozen=True)
class _EchoModel:
    """Algorithm's numbers of echoes and noise. Common practice, no source.

    max_gain_db, max_loss_db : limits of the net loss along a beam, below 0 and above
    rough_share, smooth_share : of a surface's amplitude, broken up by its roughness and even; their powers add up to 1
    max_noise_db : of amplified noise, against soft tissue;  clutter_decay_mm : depth within which clutter decays by e
    min_amplitude : floor of the envelope, -100 dB
    strong_wall : amplitude of a surface from which on its echo repeats;  wall_repeats : how often
    side_lobe_sigma : standard deviation of the side lobes across the beams, as a share of all beams
    """

    max_gain_db: float = 20.0
    max_loss_db: float = 90.0
    rough_share: float = 0.5
    smooth_share: float = 0.87
    max_noise_db: float = -10.0
    clutter_decay_mm: float = 4.0
    min_amplitude: float = 1e-5
    strong_wall: float = 4.0
    wall_repeats: int = 5
    side_lobe_sigma: float = 0.12


@dataclass(frozen=True)
class _RingDownModel:
    """Algorithm's numbers of what gas leaves behind itself. Common practice, no source.

    decay_mm : depth within which the tail decays by e;  tail_per_mm : amplitude of the tail for each mm of source
    band_share, band_rad_per_mm : modulation depth and wave number of the tail's bands
    repeats : (multiple of the depth, share of the amplitude) of the echoes that come again
    """

    decay_mm: float = 15.0
    tail_per_mm: float = 0.05
    band_share: float = 0.3
    band_rad_per_mm: float = 2.2
    repeats: tuple[tuple[int, float], ...] = ((2, 0.2), (3, 0.08))


_ECHO = _EchoModel()
_RING_DOWN = _RingDownModel()


@dataclass(frozen=True)
class Beams:
    """Each (B, L, S).

    echo_db : the envelope in dB against mean soft tissue;  loss_db : two ways, beyond that of plain tissue
    """

    echo_db: Tensor
    loss_db: Tensor


def render_beams(
    slice_: Slice,
    plane: Plane,
    scanner: Scanner,
    console: Console,
    noise: TissueNoise,
    generator: torch.Generator,
    *,
    lines: int,
    samples: int,
    physics: Physics = SCATTERERS,
) -> Beams:
    """Echoes of B slices on a grid of ``lines`` x ``samples``. The generator draws the machine's own noise.

    noise : of the physics' own tissue
    """
    grid = beam_grid(scanner, lines, samples)
    points = noise.at_rest(
        plane.origin[:, None, None, :]
        + grid.x[..., None] * plane.right[:, None, None, :]
        + grid.z[..., None] * plane.down[:, None, None, :]
        + slice_.noise_offset[:, None, None, :]
    )
    coarse, fine = noise.read_slow(points)
    across = torch.linalg.cross(plane.right, plane.down)
    real, imaginary = noise.read_slice(points, across, console.slice_thickness_mm)
    psf = point_spread_function(
        scanner,
        grid,
        f_number=console.f_number,
        focus_mm=console.focus_mm,
        bandwidth=console.bandwidth,
        physics=physics,
    )
    maps = tissue_background(grid, console, coarse, fine, noise.read_layers(points, coarse))
    pulse = Pulse(scanner.frequency_mhz, console.bandwidth, console.slice_thickness_mm, psf.axial_sigma_mm)
    maps = draw_bodies(maps, slice_, plane, grid, pulse, Unevenness.of(coarse, fine))

    frequency = scanner.frequency_mhz[:, None, None]
    per_mm = 2 * frequency / 10  # dB/cm/MHz one way -> dB/mm two ways
    compensated = console.attenuation[:, None, None] * per_mm  # by the depth gain, dB/mm
    loss = accumulated_loss(
        (maps.attenuation * per_mm - compensated) + 2 * maps.shell_db_per_mm,
        grid,
        scanner,
        aperture_mm=console.focus_mm / console.f_number,
        spread=physics.shadow_spread,
    )
    loss = loss + console.tgc_error[:, None, None] * compensated * (grid.depth - 0.5 * grid.depth[..., -1:])
    # Gain at depth cannot bring back more than the machine has.
    passed = amplitude_from_db(-loss.clamp(min=-_ECHO.max_gain_db, max=_ECHO.max_loss_db))

    speckle = amplitude_from_db(maps.echo_db)
    # A surface's echo is mostly smooth and partly broken up by its roughness; together their power is the surface's.
    # The smooth part adds up in phase, while the blur is scaled for scatterers that do not.
    wall = maps.surface * passed
    if physics.wall_repeats:
        wall = wall + _wall_repeats(wall, grid, physics)
    rough = speckle * passed + _ECHO.rough_share * wall
    smooth = _ECHO.smooth_share * psf.speckle_power.sqrt() * wall
    field = psf.blur(torch.complex(real * rough + smooth, imaginary * rough))
    if physics.side_lobes:
        spread = physics.side_lobes * _across_beams(field.abs())
        # The scatterers of another part of the body give the side lobes a speckle of their own, which stays in place.
        field = field + spread * torch.complex(imaginary.flip(2), real.flip(2))
    if physics.refill:
        again = physics.refill * console.reverberation[:, None, None]
        field = field + again * torch.complex(_at_multiple_depth(field.real, 2), _at_multiple_depth(field.imag, 2))

    ring_down = _ring_down(maps.ring_down * passed, grid)
    field = field + ring_down * torch.complex(*_normal_pair(field.real, generator))
    noise_db = console.noise_db[:, None, None] + compensated * grid.depth
    amplified = amplitude_from_db(noise_db.clamp(max=_ECHO.max_noise_db))
    clutter = amplitude_from_db(console.clutter_db[:, None, None]) * torch.exp(-grid.depth / _ECHO.clutter_decay_mm)
    field = field + (amplified + clutter) * torch.complex(*_normal_pair(field.real, generator))
    return Beams(db_from_amplitude(field.abs() + _ECHO.min_amplitude), loss)


def _normal_pair(like: Tensor, generator: torch.Generator) -> tuple[Tensor, Tensor]:
    """Real and imaginary part of complex normal noise of unit power."""
    pair = torch.randn(2, *like.shape, generator=generator, device=like.device) * 0.5**0.5
    return pair[0], pair[1]


def _wall_repeats(surface: Tensor, grid: BeamGrid, physics: Physics) -> Tensor:
    """(B, L, S) amplitude of the echoes that strong walls leave behind themselves, as sound runs to and fro in front.

    surface : (B, L, S) amplitude of all walls that reaches the probe
    """
    strong = (surface - _ECHO.strong_wall).clamp(min=0)
    samples = surface.shape[2]
    place = torch.arange(samples, device=surface.device).expand(len(surface), 1, samples)
    again = torch.zeros_like(surface)
    for times in range(1, _ECHO.wall_repeats + 1):
        source = place - (times * physics.wall_repeat_mm / grid.step).round().long()
        index = source.clamp(min=0).expand_as(surface)
        again = again + physics.wall_repeats**times * strong.gather(2, index) * (source >= 0)
    return again


def _across_beams(amplitude: Tensor) -> Tensor:
    """(B, L, S) mean amplitude of the beams around each one, at the same depth."""
    beam = torch.linspace(0, 1, amplitude.shape[1], device=amplitude.device)
    weight = torch.exp(-0.5 * ((beam[:, None] - beam) / _ECHO.side_lobe_sigma) ** 2)
    return (weight / weight.sum(1, keepdim=True)) @ amplitude


def _at_multiple_depth(source: Tensor, times: int) -> Tensor:
    """(B, L, S) what comes from the shallow part of a (B, L, S) source and shows at so many times its depth."""
    samples = source.shape[2]
    return interpolate_linear(source[..., : samples // times], samples, align_corners=False)


def _ring_down(source: Tensor, grid: BeamGrid) -> Tensor:
    """(B, L, S) amplitude of what gas leaves behind itself.

    A banded tail that decays, and the echo again at two and three times its depth, since sound runs to and fro between
    gas and probe.
    """
    decay = torch.exp(-grid.depth / _RING_DOWN.decay_mm)
    tail = torch.cumsum(source / decay.clamp(min=1e-4), dim=2) * decay * grid.step
    again = torch.zeros_like(source)
    for times, share in _RING_DOWN.repeats:
        again = again + share * _at_multiple_depth(source, times)
    bands = (1 - _RING_DOWN.band_share) + _RING_DOWN.band_share * torch.cos(grid.depth * _RING_DOWN.band_rad_per_mm)
    return _RING_DOWN.tail_per_mm * tail * bands + again
