"""Ellipsoids that a scan plane meets, drawn along beams: their insides, surfaces, losses and rings.

On the plane p = o + x u + z v the squared radius q2 = (p - c)' M (p - c) is a quadratic in x and z and its gradient,
also across the plane, is linear: a few numbers an object, whatever its attitude.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass
from functools import cache

import torch
from torch import Tensor

from synthetic.geometry import BeamGrid
from synthetic.materials import Materials
from synthetic.shells import Shell, critical_sine, evanescent_depth, shell_echo, tunnelling_db

__all__ = ["Fields", "Plane", "Pulse", "Slice", "Unevenness", "bump", "draw_bodies", "from_db"]

_TINY = 1e-6
_UNSEEN_DB = -25.0  # surfaces of less echo are none
_LEAST_CORE = 0.05
_LEAST_SOFTNESS_MM = 0.01
_MOST_LEANING_MM = 4.0
_SOFT_TISSUE_SPEED = 1.54  # mm/us
_COARSE = 8  # lines and samples between the places where it is looked which part of the grid an object touches


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
class Pulse:
    """What a scanner sends out; each (B,): frequency_mhz, bandwidth as a share of it, slice_mm thickness of the slice
    across the plane, along_mm deviation of the pulse along the beam.
    """

    frequency_mhz: Tensor
    bandwidth: Tensor
    slice_mm: Tensor
    along_mm: Tensor


@dataclass(frozen=True)
class Unevenness:
    """Of tissue on the grid; each (B, L, S): fine, of unit variance;  bumps, by which surfaces bulge;  gaps, by which
    their echo drops out, 0 or more.
    """

    fine: Tensor
    bumps: Tensor
    gaps: Tensor

    @classmethod
    def of(cls, coarse: Tensor, fine: Tensor) -> Unevenness:
        # Bumps have an end, else a surface with large ones would now and then be anywhere; and they are mostly slow,
        # else the steep sides of large bodies would be combs.
        return cls(fine, (0.75 * coarse + 0.1 * fine).clamp(-1.25, 1.25), 0.5 * (coarse + fine).clamp(min=0))


@dataclass(frozen=True)
class Fields:
    """Sums over objects while a picture is built; each (B, L, S).

    echo_db : of the tissue;  attenuation, dB/cm/MHz;  surface : amplitude of surfaces
    shell_db_per_mm : lost to shells, one way;  haze : amplitude of what rings
    """

    echo_db: Tensor
    attenuation: Tensor
    surface: Tensor
    shell_db_per_mm: Tensor
    haze: Tensor


def from_db(level: Tensor) -> Tensor:
    """Amplitude of a level in dB."""
    return torch.exp(level * (math.log(10) / 20))


def bump(value: Tensor) -> Tensor:
    """About exp(-value^2), but nothing beyond 2.45: 3 % narrower at half of its height, and 6 % less in area."""
    flat = (1 - value * value * (1 / 6)).clamp(min=0)
    square = flat * flat
    return square * square * square


@dataclass(frozen=True)
class _Features:
    """What an object has in any picture of a batch; what it has not need not be computed on a CPU.

    haze : where it or an object before it rings
    """

    core: bool = True
    rim: bool = True
    loss: bool = True
    shell: bool = True
    haze: bool = True
    own_speed: bool = True


_EVERYTHING = _Features()


def draw_bodies(
    fields: Fields, slice_: Slice, plane: Plane, grid: BeamGrid, pulse: Pulse, uneven: Unevenness
) -> Fields:
    """The fields with every object added, in order."""
    numbers = _numbers(slice_, plane, grid, pulse)
    sums = list(vars(fields).values())
    steady = [grid.x, grid.z, grid.right, grid.down, uneven.fine, uneven.bumps, uneven.gaps]
    if grid.x.is_cuda:
        # One fused kernel over the whole grid beats many small ones over part of it.
        add = _fused()
        for k in range(numbers.shape[1]):
            sums = list(add(sums, steady, numbers[:, k]))
        return Fields(*sums)
    windows = touched_windows(grid, numbers, uneven.bumps)
    for k, ((lines, samples), has) in enumerate(zip(windows, _features(numbers), strict=True)):
        if lines.stop > lines.start:
            here = [value[:, lines, samples if value.shape[2] > 1 else slice(None)] for value in steady]
            parts = [value[:, lines, samples] for value in sums]
            for part, value in zip(parts, _add_object(parts, here, numbers[:, k], has), strict=True):
                if part is not value:
                    part.copy_(value)
    return fields


def _numbers(slice_: Slice, plane: Plane, grid: BeamGrid, pulse: Pulse) -> Tensor:
    """(B, K, N, 1, 1): what ``_add_object`` needs to know of each object, in its order."""
    offset = plane.origin[:, None] - slice_.centre  # (B, K, 3)
    u, v = plane.right[:, None], plane.down[:, None]
    across = torch.linalg.cross(u, v)
    mu, mv, md = (torch.einsum("bkij,bkj->bki", slice_.shape, w.expand(offset.shape)) for w in (u, v, offset))
    m = slice_.materials
    # A wall thinner than a sample would fall between samples.
    thick = torch.maximum(torch.maximum(m.rim_mm, m.rim_share * slice_.smallest_mm), grid.step[..., 0])
    # A wall's profile is as wide as a Gaussian of 0.4 of its thickness; the pulse spreads it and lowers its peak.
    lowered = torch.hypot(pulse.along_mm[:, None], 0.4 * thick) / (0.4 * thick)

    shell = Shell(m.shell_mm, m.mineral, m.absorption)
    frequency = pulse.frequency_mhz[:, None].expand_as(thick)
    echo = shell_echo(shell, frequency_mhz=frequency, bandwidth=pulse.bandwidth[:, None].expand_as(thick))
    shelled = m.shell_mm > 0
    rim_db = m.rim_db + torch.where(shelled, echo.reflected_db, 0.0)
    loss_db = m.loss_db + torch.where(shelled, echo.loss_db, 0.0)
    rows = [
        *((u * mu).sum(-1), (u * mv).sum(-1), (v * mv).sum(-1)),
        *((u * md).sum(-1), (v * md).sum(-1), (offset * md).sum(-1)),
        *((across * mu).sum(-1), (across * mv).sum(-1), (across * md).sum(-1)),
        *(slice_.present.float(), slice_.smallest_mm, thick),
        *(m.echo_db, m.texture_db, m.core_share, m.core_db),
        *(from_db(rim_db) * lowered * (rim_db > _UNSEEN_DB), m.rim_floor, m.rim_power, m.rim_gaps, loss_db),
        *(m.attenuation, m.unevenness, m.softness_mm.clamp(min=_LEAST_SOFTNESS_MM), m.haze),
        *(1 - m.speed / _SOFT_TISSUE_SPEED, critical_sine(shell) ** 2),
        *(evanescent_depth(shell, frequency), pulse.slice_mm[:, None].expand_as(thick)),
    ]
    return torch.stack(rows, dim=-1)[..., None, None]


def _features(numbers: Tensor) -> list[_Features]:
    """Of each of K objects."""
    core, rim, loss, rings, slowness, fading = (numbers[:, :, i, 0, 0] for i in (14, 16, 20, 24, 25, 27))
    rang = (rings > 0).any(0).cumsum(0) > 0
    has = [(core > _LEAST_CORE).any(0), (rim > 0).any(0), (loss > 0).any(0), (fading > 0).any(0), rang]
    return [_Features(*column) for column in torch.stack([*has, (slowness != 0).any(0)], dim=1).tolist()]


@cache
def _fused() -> Callable[[list[Tensor], list[Tensor], Tensor], tuple[Tensor, ...]]:
    return torch.compile(_add_object, dynamic=False)


def _add_object(
    sums: list[Tensor], steady: list[Tensor], numbers: Tensor, has: _Features = _EVERYTHING
) -> tuple[Tensor, ...]:
    """The sums over objects, each (B, l, s), with one more object in them; numbers (B, N, 1, 1) describe it."""
    echo_db, attenuation, surface, shell, haze = sums
    x, z, right, down, fine, bumps, gaps = steady
    auu, auv, avv, bu, bv, constant, nu, nv, nd, present, smallest, thick, *material = numbers.unbind(1)
    level_db, texture_db, core_share, core_db, rim, rim_floor, rim_power, rim_gaps, loss_db, *rest = material
    own_attenuation, unevenness, softness, rings, slowness, critical, fading, slice_mm = rest

    gx = auu * x + auv * z + bu  # half the gradient of q2, along u
    gz = auv * x + avv * z + bv
    gn = nu * x + nv * z + nd
    q2 = (gx + bu) * x + (gz + bv) * z + constant
    along = gx * right + gz * down
    if has.own_speed:
        # Sound that is slower inside comes later: what lies a way t behind the near wall shows 1540 / c x t behind it.
        curved = (auu * right * right + 2 * auv * right * down + avv * down * down).clamp(min=_TINY * _TINY)
        way = (along + (along * along - curved * (q2 - 1)).clamp(min=0).sqrt()).clamp(min=0)
        later = way * (slowness / curved)
        q2 = q2 - later * (2 * along - curved * later)
    q = q2.clamp(min=_TINY).sqrt()

    plane_steep2 = (gx * gx + gz * gz).clamp(min=_TINY * _TINY)
    across2 = gn * gn
    flat = (plane_steep2 + across2).rsqrt()
    distance = (q + q * bumps * unevenness - 1) * q * flat  # mm outside the surface
    cosine = (along.abs() * flat).clamp(max=1)

    # The slice has a thickness: where a surface leans across the plane, its echo is smeared and its border blurred.
    leaning2 = (across2 / plane_steep2 * (0.25 * slice_mm * slice_mm)).clamp(max=_MOST_LEANING_MM**2)
    sharpness = 1 / (softness + 0.4 * leaning2.sqrt())

    inside = _step(-distance * sharpness) * present
    level = level_db + texture_db * fine
    if has.core:
        core = _step((core_share - q) * sharpness * smallest) * (core_share > _LEAST_CORE)
        level = level + core * (core_db - level_db)

    # A beam that grazes a surface is bent away by it.
    away = (1 - cosine) ** 4 * bump(distance * (1 / (1.5 * thick)))
    lost = away * (0.05 * loss_db.clamp(0.3, 4))
    crossing = loss_db
    dimmed = -rim_gaps * gaps
    if has.shell:
        # Beyond the critical angle no wave travels on in a shell; how little still passes hangs on its thickness.
        turned = tunnelling_db(fading * (1 - cosine * cosine - critical).clamp(min=0).sqrt()).clamp(max=20)
        crossing, dimmed = loss_db + turned, dimmed - 0.5 * turned
    if has.loss:
        # The loss lies behind the echo on the beam's way, a thickness further in going in and further out going out, so
        # that a wall is not seen through itself; and just within it for a beam that grazes. 0.89 is the bump's area.
        behind = distance + thick * (1 - along * flat - 0.5 * cosine * cosine)
        lost = lost + crossing * bump(behind * (1 / (0.53 * thick))) * (1 / (0.89 * thick))
    surface = surface - surface * inside
    if has.haze:
        haze = haze - haze * inside
    if has.rim:
        smeared2 = thick * thick + leaning2
        wall = bump((distance + thick / 2) * (smeared2 * 0.36).rsqrt()) * (thick * thick / smeared2).sqrt().sqrt()
        angle = rim_floor + (1 - rim_floor) * cosine.clamp(min=_TINY) ** rim_power
        echo = wall * angle * from_db(dimmed) * (rim * present)
        surface = surface + echo
        if has.haze:
            haze = haze + rings * echo
    return (
        echo_db + inside * (level - echo_db),
        attenuation + inside * (own_attenuation - attenuation),
        surface,
        shell + lost * present,
        haze,
    )


def touched_windows(grid: BeamGrid, numbers: Tensor, bumps: Tensor) -> list[tuple[slice, slice]]:
    """For each of K objects the lines and samples that it can touch in any of the B pictures; empty where none.

    In a clip an object stays near its place from frame to frame, and most of the grid need not be visited for it. Where
    it reaches is looked up at every eighth line and sample, with room for what may lie between.
    """
    lines, samples = grid.x.shape[1:]
    at = [
        torch.arange(_COARSE // 2, number + _COARSE // 2, _COARSE).clamp(max=number - 1) for number in (lines, samples)
    ]
    x, z, bumps = (value[:, None, at[0]][..., at[1]] for value in (grid.x, grid.z, bumps))  # (B, 1, l, s)
    auu, auv, avv, bu, bv, constant, nu, nv, nd, present, smallest, thick = numbers[:, :, :12].unbind(2)
    unevenness, softness, slice_mm = (numbers[:, :, index] for index in (22, 23, 28))
    gx, gz, gn = auu * x + auv * z + bu, auv * x + avv * z + bv, nu * x + nv * z + nd
    q = (gx * x + gz * z + bu * x + bv * z + constant).clamp(min=_TINY).sqrt()
    plane_steep2 = (gx * gx + gz * gz).clamp(min=_TINY * _TINY)
    distance = (q * (1 + unevenness * bumps) - 1) * q / (plane_steep2 + gn * gn).sqrt()
    leaning = (0.5 * slice_mm * gn.abs() / plane_steep2.sqrt()).clamp(max=_MOST_LEANING_MM)
    reach = torch.maximum(3 * softness + 1.2 * leaning, 1.5 * torch.hypot(thick, leaning) + 3.2 * thick)
    cell = torch.hypot((x[:, :, 1:] - x[:, :, :-1]).amax(), grid.step.amax() * _COARSE)
    touched = (distance < reach + 0.5 * cell + 0.5 * unevenness * smallest) & (present > 0)

    def bounds(met: Tensor, number: int) -> list[slice]:
        """Of (K, n) coarse places, where the first and the last of those met lie, in fine ones."""
        count = met.shape[1]
        first = met.int().argmax(1)
        last = count - 1 - met.flip(1).int().argmax(1)
        any_met = met.any(1)
        start, stop = first * _COARSE, torch.where(any_met, ((last + 1) * _COARSE).clamp(max=number), first * _COARSE)
        return [slice(a, b) for a, b in zip(start.tolist(), stop.tolist(), strict=True)]

    met = touched.any(0)
    return list(zip(bounds(met.any(2), lines), bounds(met.any(1), samples), strict=True))


def _step(value: Tensor) -> Tensor:
    """From 0 at -3 to 1 at 3, as steep in between as a logistic curve."""
    share = (value * (1 / 6) + 0.5).clamp(0, 1)
    return share * share * (3 - 2 * share)
