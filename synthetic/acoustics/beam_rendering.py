"""A slice through a phantom to echoes along beams.

What is modelled: speckle from scatterers fixed in the body, blurred by a depth-dependent point spread; echoes of
surfaces by angle; shells as thin layers, with drop-out beyond the critical angle; attenuation, shell losses and shadows
summed along the beam; refraction shadows at grazing surfaces; displacement within a body by its speed of sound;
ringing and dirty shadow of gas; reverberation between wall and probe; noise that the depth gain lifts. What is not:
phase-true interference of surfaces, displacement behind a body, multiple scattering.
"""

from __future__ import annotations

from dataclasses import dataclass

import torch
from torch import Tensor

from synthetic.acoustics.decibels import amplitude_from_db
from synthetic.acoustics.drawing import AcousticMaps, Unevenness, bump, draw_bodies
from synthetic.acoustics.geometry import BeamGrid, Scanner, beam_grid
from synthetic.acoustics.point_spread_function import point_spread_function
from synthetic.acoustics.render_parameters import Plane, Pulse, Slice
from synthetic.acoustics.tissue import TissueNoise
from synthetic.anatomy.limits import require_not_negative, require_positive
from synthetic.appearance.smoothing import interpolate_linear

__all__ = ["Beams", "Console", "Plane", "Slice", "render_beams"]


@dataclass(frozen=True)
class Console:
    """How the machine is set, and the wall that it looks through; each (B,) float32.

    skin_mm, fat_mm, muscle_mm : thickness of the layers of the body wall
    attenuation : of soft tissue, dB/cm/MHz, which the depth gain undoes;  tgc_error : of that, as a share
    noise_db : electronic noise at the face, dB against soft tissue;  clutter_db : clutter near the face
    f_number, focus_mm, bandwidth : of the point spread (bandwidth as a share of the frequency)
    slice_thickness_mm : thickness of the slice across the plane;  unevenness_db : of the background
    layers_db : by which sheets and fibres in the background stand out of it
    reverberation : share of the wall's echoes that return again

    Raises PhantomError, naming the setting, for a negative thickness and whatever else no machine can have.
    """

    skin_mm: Tensor
    fat_mm: Tensor
    muscle_mm: Tensor
    attenuation: Tensor
    tgc_error: Tensor
    noise_db: Tensor
    clutter_db: Tensor
    f_number: Tensor
    focus_mm: Tensor
    bandwidth: Tensor
    slice_thickness_mm: Tensor
    unevenness_db: Tensor
    layers_db: Tensor
    reverberation: Tensor

    def __post_init__(self) -> None:
        require_positive("console", f_number=self.f_number, focus_mm=self.focus_mm, bandwidth=self.bandwidth)
        not_negative = (
            "skin_mm",
            "fat_mm",
            "muscle_mm",
            "attenuation",
            "slice_thickness_mm",
            "unevenness_db",
            "layers_db",
        )
        require_not_negative("console", **{name: getattr(self, name) for name in (*not_negative, "reverberation")})


@dataclass(frozen=True)
class Beams:
    """Each (B, L, S): echo_db, the envelope in dB against mean soft tissue;  loss_db, two ways, beyond plain tissue."""

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
) -> Beams:
    """Echoes of B slices on a grid of ``lines`` x ``samples``."""
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
        scanner, grid, f_number=console.f_number, focus_mm=console.focus_mm, bandwidth=console.bandwidth
    )
    fields = _background(grid, console, coarse, fine, noise.read_layers(points, coarse))
    pulse = Pulse(scanner.frequency_mhz, console.bandwidth, console.slice_thickness_mm, psf.axial_sigma_mm)
    fields = draw_bodies(fields, slice_, plane, grid, pulse, Unevenness.of(coarse, fine))

    frequency = scanner.frequency_mhz[:, None, None]
    per_mm = 2 * frequency / 10  # dB/cm/MHz one way -> dB/mm two ways
    undone = console.attenuation[:, None, None] * per_mm
    loss = torch.cumsum((fields.attenuation * per_mm - undone) + 2 * fields.shell_db_per_mm, dim=2) * grid.step
    loss = loss + console.tgc_error[:, None, None] * undone * (grid.depth - 0.5 * grid.depth[..., -1:])
    # A far gain cannot bring back more than the machine has.
    passed = amplitude_from_db(-loss.clamp(min=-20, max=90))

    speckle = amplitude_from_db(fields.echo_db)
    # A surface's echo is mostly smooth, partly broken up by its roughness; together its power is the surface's. The
    # smooth part adds up evenly, while the blur is scaled for scatterers that do not.
    rough = speckle + 0.5 * fields.surface
    smooth = 0.87 * psf.speckle_power.sqrt() * fields.surface
    field = psf.blur(torch.complex((real * rough + smooth) * passed, imaginary * rough * passed))

    ring_down = _ringing(fields.ring_down * passed, grid)
    field = field + ring_down * torch.complex(*_normal_pair(field.real, generator))
    lifted = amplitude_from_db((console.noise_db[:, None, None] + undone * grid.depth).clamp(max=-10))
    near = amplitude_from_db(console.clutter_db[:, None, None]) * torch.exp(-grid.depth / 4.0)
    field = field + (lifted + near) * torch.complex(*_normal_pair(field.real, generator))
    echo = 20 * torch.log10(field.abs() + 1e-5)
    return Beams(echo, loss)


def _normal_pair(like: Tensor, generator: torch.Generator) -> tuple[Tensor, Tensor]:
    pair = torch.randn(2, *like.shape, generator=generator, device=like.device) * 0.5**0.5
    return pair[0], pair[1]


def _background(grid: BeamGrid, console: Console, coarse: Tensor, fine: Tensor, layers: Tensor) -> AcousticMaps:
    uneven = console.unevenness_db[:, None, None]
    echo = uneven * (coarse + 0.4 * fine) + console.layers_db[:, None, None] * layers
    # The strongest sheets are borders, not speckle: smooth bright lines.
    surface = (amplitude_from_db(console.layers_db)[:, None, None] - 1) * (layers - 1.5).clamp(min=0)
    edge = torch.zeros_like(grid.depth)
    # A border thinner than a sample would fall between samples.
    thick = grid.step.clamp(min=0.35)
    # Skin, fat and muscle, each border a bright line that bends with the tissue and returns fainter further down. A
    # layer that is not there has no border.
    for thickness, level_db, border_db in (
        (console.skin_mm, 5.0, 6.0),
        (console.fat_mm, -5.0, 12.0),
        (console.muscle_mm, -1.0, 9.0),
    ):
        start = edge
        edge = edge + thickness[:, None, None]
        bent = edge + 0.8 * coarse
        echo = torch.where((grid.depth >= start) & (grid.depth < bent), echo + level_db, echo)
        border = 10 ** (border_db / 20) * (thickness[:, None, None] / 0.3).clamp(0, 1)
        surface = surface + border * bump((grid.depth - bent) / thick)
        again = console.reverberation[:, None, None] * border
        surface = surface + again * bump((grid.depth - 2 * bent) / (1.15 * thick))
    attenuation = console.attenuation[:, None, None].expand_as(echo).clone()
    return AcousticMaps(echo, attenuation, surface, torch.zeros_like(echo), torch.zeros_like(echo))


def _ringing(source: Tensor, grid: BeamGrid) -> Tensor:
    """What gas leaves behind itself: a tail that fades over 15 mm, banded, and the echo again at two and three times
    its depth, since sound runs to and fro between gas and probe.
    """
    fade = torch.exp(-grid.depth / 15.0)
    tail = torch.cumsum(source / fade.clamp(min=1e-4), dim=2) * fade * grid.step
    samples = source.shape[2]
    again = torch.zeros_like(source)
    for times, share in ((2, 0.2), (3, 0.08)):
        part = source[..., : samples // times]
        again = again + share * interpolate_linear(part, samples, align_corners=False)
    return 0.05 * tail * (0.7 + 0.3 * torch.cos(grid.depth * 2.2)) + again
