"""Ellipsoids that a scan plane meets, drawn along beams: their insides, surfaces, losses and rings."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from functools import cache

import torch
from torch import Tensor

from synthetic.acoustics.decibels import amplitude_from_db
from synthetic.acoustics.geometry import BeamGrid
from synthetic.acoustics.render_parameters import (
    MAX_TILT_SMEAR_MM,
    TINY,
    Plane,
    Pulse,
    RenderParameters,
    Slice,
    render_parameters,
)
from synthetic.acoustics.shells import tunnelling_db
from synthetic.acoustics.touched_regions import touched_regions

__all__ = ["AcousticMaps", "Unevenness", "bump", "draw_bodies"]

_LEAST_CORE = 0.05


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
class AcousticMaps:
    """Sums over objects while a picture is built; each (B, L, S).

    echo_db : of the tissue;  attenuation, dB/cm/MHz;  surface : amplitude of surfaces
    shell_db_per_mm : lost to shells, one way;  ring_down : amplitude of what rings
    """

    echo_db: Tensor
    attenuation: Tensor
    surface: Tensor
    shell_db_per_mm: Tensor
    ring_down: Tensor


def bump(value: Tensor) -> Tensor:
    """About exp(-value^2), but nothing beyond 2.45: 3 % narrower at half of its height, and 6 % less in area."""
    flat = (1 - value * value * (1 / 6)).clamp(min=0)
    square = flat * flat
    return square * square * square


@dataclass(frozen=True)
class _Features:
    """What an object has in any picture of a batch; what it has not need not be computed on a CPU.

    ring_down : where it or an object before it rings
    """

    core: bool = True
    rim: bool = True
    loss: bool = True
    shell: bool = True
    ring_down: bool = True
    own_speed: bool = True


_EVERYTHING = _Features()


def draw_bodies(
    fields: AcousticMaps, slice_: Slice, plane: Plane, grid: BeamGrid, pulse: Pulse, uneven: Unevenness
) -> AcousticMaps:
    """The fields with every object added, in order."""
    met = render_parameters(slice_, plane, grid, pulse)
    numbers = torch.stack(list(vars(met).values()), dim=-1)[..., None, None]  # (B, K, N, 1, 1)
    sums = list(vars(fields).values())
    steady = [grid.x, grid.z, grid.right, grid.down, uneven.fine, uneven.bumps, uneven.gaps]
    if grid.x.is_cuda:
        # One fused kernel over the whole grid beats many small ones over part of it.
        add = _fused()
        for k in range(numbers.shape[1]):
            sums = list(add(sums, steady, numbers[:, k]))
        return AcousticMaps(*sums)
    windows = touched_regions(grid, met, uneven.bumps)
    for k, ((lines, samples), has) in enumerate(zip(windows, _features(met), strict=True)):
        if lines.stop > lines.start:
            here = [value[:, lines, samples if value.shape[2] > 1 else slice(None)] for value in steady]
            parts = [value[:, lines, samples] for value in sums]
            for part, value in zip(parts, _add_object(parts, here, numbers[:, k], has), strict=True):
                if part is not value:
                    part.copy_(value)
    return fields


def _features(met: RenderParameters) -> list[_Features]:
    """Of each of K objects."""
    rang = (met.ring_down > 0).any(0).cumsum(0) > 0
    has = [
        *(
            value.any(0)
            for value in (
                met.core_share > _LEAST_CORE,
                met.rim_amplitude > 0,
                met.loss_db > 0,
                met.evanescent_nepers > 0,
            )
        )
    ]
    columns = torch.stack([*has, rang, (met.slowness != 0).any(0)], dim=1)
    return [_Features(*column) for column in columns.tolist()]


@cache
def _fused() -> Callable[[list[Tensor], list[Tensor], Tensor], tuple[Tensor, ...]]:
    return torch.compile(_add_object, dynamic=False)


def _add_object(
    sums: list[Tensor], steady: list[Tensor], numbers: Tensor, has: _Features = _EVERYTHING
) -> tuple[Tensor, ...]:
    """The sums over objects, each (B, l, s), with one more object in them; numbers (B, N, 1, 1), in the order
    of RenderParameters, describe it.
    """
    echo_db, attenuation, surface, shell, ring_down = sums
    x, z, right, down, fine, bumps, gaps = steady
    auu, auv, avv, bu, bv, constant, nu, nv, nd, present, smallest, thick, *material = numbers.unbind(1)
    level_db, texture_db, core_share, core_db, rim, rim_floor, rim_power, rim_dropout_db, loss_db, *rest = material
    own_attenuation, unevenness, softness, rings, slowness, critical, fading, slice_thickness_mm = rest

    gx = auu * x + auv * z + bu  # half the gradient of q2, along u
    gz = auv * x + avv * z + bv
    gn = nu * x + nv * z + nd
    q2 = (gx + bu) * x + (gz + bv) * z + constant
    along = gx * right + gz * down
    if has.own_speed:
        # Sound that is slower inside comes later: what lies a way t behind the near wall shows 1540 / c x t behind it.
        curved = (auu * right * right + 2 * auv * right * down + avv * down * down).clamp(min=TINY * TINY)
        way = (along + (along * along - curved * (q2 - 1)).clamp(min=0).sqrt()).clamp(min=0)
        later = way * (slowness / curved)
        q2 = q2 - later * (2 * along - curved * later)
    q = q2.clamp(min=TINY).sqrt()

    plane_steep2 = (gx * gx + gz * gz).clamp(min=TINY * TINY)
    across2 = gn * gn
    flat = (plane_steep2 + across2).rsqrt()
    distance = (q + q * bumps * unevenness - 1) * q * flat  # mm outside the surface
    cosine = (along.abs() * flat).clamp(max=1)

    # The slice has a thickness: where a surface leans across the plane, its echo is smeared and its border blurred.
    leaning2 = (across2 / plane_steep2 * (0.25 * slice_thickness_mm * slice_thickness_mm)).clamp(
        max=MAX_TILT_SMEAR_MM**2
    )
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
    dimmed = -rim_dropout_db * gaps
    if has.shell:
        # Beyond the critical angle no wave travels on in a shell; how little still passes hangs on its thickness.
        turned = tunnelling_db(fading * (1 - cosine * cosine - critical).clamp(min=0).sqrt()).clamp(max=20)
        crossing, dimmed = loss_db + turned, dimmed - 0.5 * turned
    if has.loss:
        # The loss lies behind the echo on the beam's way, a thickness further in going in and further out going out, so
        # that a wall is not seen through itself; and just within it for a beam that grazes. 0.89 is the bump's area.
        behind = distance + thick * (1 - along * flat - cosine * cosine)
        lost = lost + crossing * bump(behind * (1 / (0.53 * thick))) * (1 / (0.89 * thick))
    surface = surface - surface * inside
    if has.ring_down:
        ring_down = ring_down - ring_down * inside
    if has.rim:
        smeared2 = thick * thick + leaning2
        wall = bump(distance * (smeared2 * 0.36).rsqrt()) * (thick * thick / smeared2).sqrt().sqrt()
        angle = rim_floor + (1 - rim_floor) * cosine.clamp(min=TINY) ** rim_power
        echo = wall * angle * amplitude_from_db(dimmed) * (rim * present)
        surface = surface + echo
        if has.ring_down:
            ring_down = ring_down + rings * echo
    return (
        echo_db + inside * (level - echo_db),
        attenuation + inside * (own_attenuation - attenuation),
        surface,
        shell + lost * present,
        ring_down,
    )


def _step(value: Tensor) -> Tensor:
    """From 0 at -3 to 1 at 3, as steep in between as a logistic curve."""
    share = (value * (1 / 6) + 0.5).clamp(0, 1)
    return share * share * (3 - 2 * share)
