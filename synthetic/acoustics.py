"""A slice through a phantom to echoes along beams.

What is modelled: speckle from scatterers fixed in the body, blurred by a depth-dependent point spread; echoes of
surfaces by angle; attenuation, shell losses and shadows summed along the beam; refraction shadows at grazing
surfaces; ringing and dirty shadow of gas; reverberation near the skin; noise that the depth gain lifts. What is not:
phase-true interference of surfaces, displacement by the speed of sound, multiple scattering.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass
from functools import cache

import torch
from torch import Tensor
from torch.nn import functional

from models.ellipsoid import section
from synthetic.geometry import BeamGrid, Scanner, beam_grid
from synthetic.materials import Materials
from synthetic.tissue import TissueNoise

__all__ = ["Beams", "Console", "Plane", "Slice", "render_beams"]

_TINY = 1e-6


@dataclass(frozen=True)
class Plane:
    """Where the probe is, in body mm: origin (B, 3) the middle of its face, right (B, 3) and down (B, 3) unit vectors
    along and away from it.
    """

    origin: Tensor
    right: Tensor
    down: Tensor


@dataclass(frozen=True)
class Slice:
    """What the plane meets. centre (B, K, 3) mm, shape (B, K, 3, 3), smallest_mm (B, K) the least semi-axis,
    materials (B, K), present (B, K) bool; later objects are drawn over earlier ones. noise_offset (B, 3) mm moves
    the body's noise.
    """

    centre: Tensor
    shape: Tensor
    smallest_mm: Tensor
    materials: Materials
    present: Tensor
    noise_offset: Tensor


@dataclass(frozen=True)
class Console:
    """How the machine is set, and the wall that it looks through; each (B,) float32.

    skin_mm, fat_mm, muscle_mm : thickness of the layers of the body wall
    attenuation : of soft tissue, dB/cm/MHz, which the depth gain undoes;  gain_error : of that, as a share
    noise_db : electronic noise at the face, dB against soft tissue;  clutter_db : haze near the face
    f_number, focus_mm, bandwidth : of the point spread (bandwidth as a share of the frequency)
    slice_mm : thickness of the slice across the plane;  unevenness_db : of the background
    layers_db : by which sheets and fibres in the background stand out of it
    reverberation : share of the wall's echoes that return again
    """

    skin_mm: Tensor
    fat_mm: Tensor
    muscle_mm: Tensor
    attenuation: Tensor
    gain_error: Tensor
    noise_db: Tensor
    clutter_db: Tensor
    f_number: Tensor
    focus_mm: Tensor
    bandwidth: Tensor
    slice_mm: Tensor
    unevenness_db: Tensor
    layers_db: Tensor
    reverberation: Tensor


@dataclass(frozen=True)
class Beams:
    """Each (B, L, S): echo_db, the envelope in dB against mean soft tissue;  loss_db, two ways, beyond plain tissue."""

    echo_db: Tensor
    loss_db: Tensor


@dataclass
class _Fields:
    """Sums over objects while a picture is built; each (B, L, S)."""

    echo_db: Tensor
    attenuation: Tensor
    surface: Tensor
    shell_db_per_mm: Tensor
    haze: Tensor


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
    points = (
        plane.origin[:, None, None, :]
        + grid.x[..., None] * plane.right[:, None, None, :]
        + grid.z[..., None] * plane.down[:, None, None, :]
        + slice_.noise_offset[:, None, None, :]
    )
    coarse, fine = noise.read_slow(points)
    real, imaginary = noise.read_scatterers(points)
    fields = _background(grid, console, coarse, fine, noise.read_layers(points, coarse))
    _draw_objects(fields, slice_, plane, grid, console.slice_mm, coarse, fine)

    frequency = scanner.frequency_mhz[:, None, None]
    per_mm = 2 * frequency / 10  # dB/cm/MHz one way -> dB/mm two ways
    undone = console.attenuation[:, None, None] * per_mm
    loss = torch.cumsum((fields.attenuation * per_mm - undone) + 2 * fields.shell_db_per_mm, dim=2) * grid.step
    loss = loss + console.gain_error[:, None, None] * undone * (grid.depth - 0.5 * grid.depth[..., -1:])
    # A far gain cannot bring back more than the machine has.
    passed = from_db(-loss.clamp(min=-20, max=90))

    speckle = from_db(fields.echo_db)
    # A surface echo is partly smooth, partly broken up by the roughness of the surface.
    real = (real * (speckle + 0.5 * fields.surface) + 0.7 * fields.surface) * passed
    imaginary = imaginary * (speckle + 0.5 * fields.surface) * passed
    field = _spread(torch.complex(real, imaginary), grid, scanner, console)

    haze = _ringing(fields.haze * passed, grid)
    field = field + haze * torch.complex(*_normal_pair(field.real, generator))
    lifted = from_db((console.noise_db[:, None, None] + undone * grid.depth).clamp(max=-6))
    near = from_db(console.clutter_db[:, None, None]) * torch.exp(-grid.depth / 4.0)
    field = field + (lifted + near) * torch.complex(*_normal_pair(field.real, generator))
    echo = 20 * torch.log10(field.abs() + 1e-5)
    return Beams(echo, loss)


def _normal_pair(like: Tensor, generator: torch.Generator) -> tuple[Tensor, Tensor]:
    pair = torch.randn(2, *like.shape, generator=generator, device=like.device) * 0.5**0.5
    return pair[0], pair[1]


def _background(grid: BeamGrid, console: Console, coarse: Tensor, fine: Tensor, layers: Tensor) -> _Fields:
    uneven = console.unevenness_db[:, None, None]
    echo = uneven * (coarse + 0.4 * fine) + console.layers_db[:, None, None] * layers
    # The strongest sheets are borders, not speckle: smooth bright lines.
    surface = (from_db(console.layers_db)[:, None, None] - 1) * (layers - 1.5).clamp(min=0)
    edge = torch.zeros_like(grid.depth)
    # Skin, fat and muscle, each border a bright line that bends with the tissue and returns fainter further down.
    for thickness, level_db, border in (
        (console.skin_mm, 5.0, 1.5),
        (console.fat_mm, -5.0, 3.0),
        (console.muscle_mm, -1.0, 2.0),
    ):
        start = edge
        edge = edge + thickness[:, None, None]
        bent = edge + 0.8 * coarse
        echo = torch.where((grid.depth >= start) & (grid.depth < bent), echo + level_db, echo)
        surface = surface + border * _bump((grid.depth - bent) / 0.35)
        again = console.reverberation[:, None, None] * border
        surface = surface + again * _bump((grid.depth - 2 * bent) / 0.4)
    attenuation = console.attenuation[:, None, None].expand_as(echo).clone()
    return _Fields(echo, attenuation, surface, torch.zeros_like(echo), torch.zeros_like(echo))


def _draw_objects(
    fields: _Fields, slice_: Slice, plane: Plane, grid: BeamGrid, slice_mm: Tensor, coarse: Tensor, fine: Tensor
) -> None:
    """Add every object to the fields, in order.

    On the plane p = o + x u + z v the squared radius q2 = (p - c)' M (p - c) is a quadratic in x and z and its
    gradient, also across the plane, is linear: a few numbers an object, whatever its attitude.
    """
    offset = plane.origin[:, None] - slice_.centre  # (B, K, 3)
    u, v = plane.right[:, None], plane.down[:, None]
    across = torch.linalg.cross(u, v)
    mu, mv, md = (torch.einsum("bkij,bkj->bki", slice_.shape, w.expand(offset.shape)) for w in (u, v, offset))
    m = slice_.materials
    # A wall thinner than a sample would fall between samples.
    thick = torch.maximum(torch.maximum(m.rim_mm, m.rim_share * slice_.smallest_mm), grid.step[..., 0])
    numbers = torch.stack(
        [
            *((u * mu).sum(-1), (u * mv).sum(-1), (v * mv).sum(-1)),
            *((u * md).sum(-1), (v * md).sum(-1), (offset * md).sum(-1)),
            *((across * mu).sum(-1), (across * mv).sum(-1), (across * md).sum(-1)),
            *(slice_.present.float(), slice_.smallest_mm, thick),
            *(m.echo_db, m.texture_db, m.core_share, m.core_db),
            *(m.rim_db, m.rim_floor, m.rim_power, m.rim_gaps, m.loss_db),
            *(m.attenuation, m.unevenness, m.softness_mm, m.haze),
            slice_mm[:, None].expand_as(thick),
        ],
        dim=-1,
    )[..., None, None]  # (B, K, N, 1, 1)
    sums = [fields.echo_db, fields.attenuation, fields.surface, fields.shell_db_per_mm, fields.haze]
    steady = [grid.x, grid.z, grid.right, grid.down, coarse, fine]
    if grid.x.is_cuda:
        # One fused kernel over the whole grid beats many small ones over part of it.
        add = _fused()
        for k in range(offset.shape[1]):
            sums = list(add(sums, steady, numbers[:, k]))
        fields.echo_db, fields.attenuation, fields.surface, fields.shell_db_per_mm, fields.haze = sums
        return
    met = slice_.present.any(0).tolist()
    for k, (lines, samples) in enumerate(_windows(slice_, plane, grid, thick)):
        if met[k]:
            here = [value[:, lines, samples if value.shape[2] > 1 else slice(None)] for value in steady]
            parts = [value[:, lines, samples] for value in sums]
            for part, value in zip(parts, _add_object(parts, here, numbers[:, k]), strict=True):
                part.copy_(value)


def from_db(level: Tensor) -> Tensor:
    """Amplitude of a level in dB."""
    return torch.exp(level * (math.log(10) / 20))


def _bump(value: Tensor) -> Tensor:
    # Cut off where it no longer matters: processors are slow at numbers too small for their usual form.
    return torch.exp(-(value * value).clamp(max=40))


@cache
def _fused() -> Callable[[list[Tensor], list[Tensor], Tensor], tuple[Tensor, ...]]:
    return torch.compile(_add_object, dynamic=False)


def _add_object(sums: list[Tensor], steady: list[Tensor], numbers: Tensor) -> tuple[Tensor, ...]:
    """The sums over objects, each (B, l, s), with one more object in them; numbers (B, N, 1, 1) describe it."""
    echo_db, attenuation, surface, shell, haze = sums
    x, z, right, down, slow, fast = steady
    auu, auv, avv, bu, bv, constant, nu, nv, nd, present, smallest, thick, *material = numbers.unbind(1)
    level_db, texture_db, core_share, core_db, rim_db, rim_floor, rim_power, rim_gaps, loss_db, *rest = material
    own_attenuation, unevenness, softness, rings, slice_mm = rest

    gx = auu * x + auv * z + bu  # half the gradient of q2, along u
    gz = auv * x + avv * z + bv
    gn = nu * x + nv * z + nd
    q = (gx * x + gz * z + bu * x + bv * z + constant).clamp(min=_TINY).sqrt()
    steep = (gx * gx + gz * gz + gn * gn).clamp(min=_TINY * _TINY).sqrt()
    distance = (q * (1 + unevenness * (0.7 * slow + 0.3 * fast)) - 1) * q / steep  # mm outside the surface
    cosine = ((gx * right + gz * down).abs() / steep).clamp(max=1)

    # The slice has a thickness: where a surface leans across the plane, its echo is smeared and its border blurred.
    leaning = 0.5 * slice_mm * gn.abs() / (steep * steep - gn * gn).clamp(min=_TINY * _TINY).sqrt()
    leaning = leaning.clamp(max=4)
    smeared = torch.hypot(thick, leaning)
    softness = softness + 0.4 * leaning

    inside = torch.sigmoid((-distance / softness).clamp(-30, 30)) * present
    core = torch.sigmoid(((core_share - q) * (smallest / softness)).clamp(-30, 30)) * (core_share > 0.05)
    level = level_db + core * (core_db - level_db) + texture_db * fast

    wall = _bump((distance + thick / 2) / (0.6 * smeared)) * torch.sqrt(thick / smeared) * present
    angle = rim_floor + (1 - rim_floor) * cosine**rim_power
    gaps = from_db(-0.5 * rim_gaps * (slow + fast).clamp(min=0))
    echo = from_db(rim_db) * (rim_db > -25) * wall * angle
    # The loss lies on the inner face so that the outer one shows bright; 0.94 is the area under the bump. A beam
    # that grazes stays in the shell for longer and, past the critical angle, is turned away.
    inner = _bump((distance + thick) / (0.53 * thick)) * present
    grazing = ((1 - cosine) ** 4) * _bump(distance / (1.5 * thick)) * present
    lost = loss_db / (0.94 * thick) * inner + 0.05 * loss_db.clamp(0.3, 4) * grazing
    return (
        echo_db + inside * (level - echo_db),
        attenuation + inside * (own_attenuation - attenuation),
        surface + echo * gaps - surface * inside,
        shell + lost,
        haze + rings * echo - haze * inside,
    )


def _windows(slice_: Slice, plane: Plane, grid: BeamGrid, rim: Tensor) -> list[tuple[slice, slice]]:
    """For each of K objects the lines and samples that it can touch in any of the B pictures.

    In a clip an object stays near its place from frame to frame, and most of the grid need not be visited for it.
    """
    ellipses, _ = section(slice_.centre, slice_.shape, plane.origin[:, None], plane.right[:, None], plane.down[:, None])
    m = slice_.materials
    reach = ellipses[..., 2] * (1 + m.unevenness) + 4 * (m.softness_mm + 1) + 3 * rim  # (B, K)
    x, z = ellipses[..., 0], ellipses[..., 1]
    radius = grid.radius[:, None]
    away = torch.hypot(x, z + radius)
    middle = torch.atan2(x, z + radius)
    half = torch.asin((reach / away).clamp(max=1.0))
    half = torch.where(reach < away, half, torch.full_like(half, torch.pi))
    lines, samples = grid.x.shape[1:]
    per_line = 2 * grid.half_angle[:, None] / (lines - 1)
    per_sample = grid.step[:, 0]
    first_line = (middle - half) / per_line + (lines - 1) / 2
    last_line = (middle + half) / per_line + (lines - 1) / 2
    first_sample, last_sample = (away - radius - reach) / per_sample, (away - radius + reach) / per_sample

    def bounds(first: Tensor, last: Tensor, most: int) -> list[slice]:
        low = first.nan_to_num(1e6).floor().amin(0).clamp(0, most).int().tolist()
        high = last.nan_to_num(-1e6).ceil().amax(0).clamp(-1, most - 1).int().tolist()
        return [slice(a, max(a, b + 1)) for a, b in zip(low, high, strict=True)]

    return list(zip(bounds(first_line, last_line, lines), bounds(first_sample, last_sample, samples), strict=True))


def _spread(field: Tensor, grid: BeamGrid, scanner: Scanner, console: Console) -> Tensor:
    """Blur by the point spread: a Gaussian along and across the beam, wider away from the focus.

    Two-way lateral full width at half maximum 0.886 lambda F# at the focus and axial c / 2 x 0.8825 / bandwidth
    (both computed from theory). Between two blurs, sharp and wide, each depth takes its mixture.
    """
    wavelength = 1.54 / scanner.frequency_mhz  # mm
    to_sigma = 1 / 2.3548
    axial = to_sigma * 0.77 * 0.8825 / (console.bandwidth * scanner.frequency_mhz)
    sharp = to_sigma * 0.886 * wavelength * console.f_number
    lines, samples = field.shape[1:]
    reach = scanner.radius_mm[:, None, None] + grid.depth  # (B, 1, S)
    spacing = 2 * scanner.half_angle_rad[:, None, None] * reach / (lines - 1)
    off_focus = (grid.depth - console.focus_mm[:, None, None]).abs() / console.focus_mm[:, None, None]
    wanted = sharp[:, None, None] * torch.sqrt(1 + 2.0 * off_focus**2) / spacing  # sigma in lines
    low, high = wanted.amin(2, keepdim=True), wanted.amax(2, keepdim=True)
    power = wanted**2
    mixture = (power - low**2) / (high**2 - low**2 + _TINY)

    device = field.device
    across = torch.fft.fftfreq(lines, device=device)[None, :, None]
    along = torch.fft.fftfreq(samples, device=device)[None, None, :]
    spectrum = torch.fft.fft2(field)
    axial_sigma = axial[:, None, None] / grid.step
    spectrum = spectrum * _bump(2**0.5 * torch.pi * axial_sigma * along)

    def blurred(sigma: Tensor) -> Tensor:
        kernel = _bump(2**0.5 * torch.pi * sigma * across)
        # Independent scatterers: the sum's power is that of one times the kernel's energy. Keep soft tissue at 0 dB.
        energy = 1 / torch.sqrt((1 + 2 * sigma * torch.pi**0.5) * (1 + 2 * axial_sigma * torch.pi**0.5))
        field: Tensor = torch.fft.ifft2(spectrum * kernel) / energy
        return field

    sharp_field, wide_field = blurred(low), blurred(high)
    result: Tensor = torch.sqrt(1 - mixture) * sharp_field + torch.sqrt(mixture.clamp(min=0)) * wide_field
    return result


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
        again = again + share * functional.interpolate(part, size=samples, mode="linear", align_corners=False)
    return 0.05 * tail * (0.7 + 0.3 * torch.cos(grid.depth * 2.2)) + again
