"""Draws the bodies that a scan plane meets along the beams: insides, surfaces, losses and ring-down."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from functools import cache
from typing import NamedTuple

import torch
from torch import Tensor

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
from synthetic.acoustics.squared_radius import beside_axis, squared_radius
from synthetic.acoustics.touched_regions import touched_regions
from synthetic.decibels import amplitude_from_db

__all__ = ["AcousticMaps", "Unevenness", "bump", "draw_bodies"]

_MIN_CORE_SHARE = 0.05  # a core smaller than this share of the axes is not drawn


@dataclass(frozen=True)
class Unevenness:
    """How uneven tissue is on the grid; each (B, L, S).

    fine : of unit variance;  bumps : by how much surfaces bulge, in radii of an object of unevenness 1
    gaps : how far the echo of surfaces drops out, 0 or more
    """

    fine: Tensor
    bumps: Tensor
    gaps: Tensor

    @classmethod
    def of(cls, coarse: Tensor, fine: Tensor) -> Unevenness:
        """From two fields of tissue noise, see tissue.TissueNoise.read_slow."""
        # Bumps are bounded, or a surface with large ones could now and then be anywhere. They are mostly coarse, or
        # the steep sides of large bodies would look like combs.
        return cls(fine, (0.75 * coarse + 0.1 * fine).clamp(-1.25, 1.25), 0.5 * (coarse + fine).clamp(min=0))


class AcousticMaps(NamedTuple):
    """What the beams meet, summed over objects while a picture is built; each (B, L, S).

    echo_db : of the tissue;  attenuation : dB/cm/MHz;  surface : amplitude of surfaces
    shell_db_per_mm : lost to shells, one way;  ring_down : amplitude of what rings
    """

    echo_db: Tensor
    attenuation: Tensor
    surface: Tensor
    shell_db_per_mm: Tensor
    ring_down: Tensor


def bump(value: Tensor) -> Tensor:
    """About exp(-value^2), and exactly 0 beyond 2.45: 3 % narrower at half its height, and 6 % smaller in area."""
    flat = (1 - value * value * (1 / 6)).clamp(min=0)
    square = flat * flat
    return square * square * square


@dataclass(frozen=True)
class _Features:
    """What an object has in any picture of a batch. On a CPU, what it lacks need not be computed.

    ring_down : whether it or an object before it rings
    """

    core: bool = True
    rim: bool = True
    loss: bool = True
    shell: bool = True
    ring_down: bool = True
    own_speed: bool = True
    is_tube: bool = True
    stripes: bool = True


_ALL_FEATURES = _Features()


class _GridFields(NamedTuple):
    """The fields on the grid that no object changes: places and directions as in BeamGrid, and the unevenness."""

    x: Tensor
    z: Tensor
    right: Tensor
    down: Tensor
    fine: Tensor
    bumps: Tensor
    gaps: Tensor

    def region(self, lines: slice, samples: slice) -> _GridFields:
        """A part of the grid. Directions are the same at all samples."""
        return _GridFields(*(f[:, lines, samples if f.shape[2] > 1 else slice(None)] for f in self))


def draw_bodies(
    maps: AcousticMaps, slice_: Slice, plane: Plane, grid: BeamGrid, pulse: Pulse, uneven: Unevenness
) -> AcousticMaps:
    """The maps with every object of the slice added, in order. On a CPU the given maps are changed in place."""
    parameters = render_parameters(slice_, plane, grid, pulse)
    stacked = parameters.stacked()  # (B, K, N)
    fields = _GridFields(grid.x, grid.z, grid.right, grid.down, uneven.fine, uneven.bumps, uneven.gaps)
    if grid.x.is_cuda:
        # One fused kernel over the whole grid is faster than many small ones over a part of it.
        add, drawn = _fused_add_object(), tuple(maps)
        for k in range(stacked.shape[1]):
            drawn = add(drawn, tuple(fields), stacked[:, k])
        return AcousticMaps(*drawn)
    regions = touched_regions(grid, parameters, uneven.bumps)
    for k, ((lines, samples), features) in enumerate(zip(regions, _features(parameters), strict=True)):
        if lines.stop > lines.start:
            before = AcousticMaps(*(values[:, lines, samples] for values in maps))
            after = _add_object(before, fields.region(lines, samples), stacked[:, k], features)
            for part, values in zip(before, after, strict=True):
                if part is not values:
                    part.copy_(values)
    return maps


def _features(parameters: RenderParameters) -> list[_Features]:
    """The features of each of K objects."""
    columns = torch.stack(
        [
            (parameters.core_share > _MIN_CORE_SHARE).any(0),
            (parameters.rim_amplitude > 0).any(0),
            (parameters.loss_db > 0).any(0),
            (parameters.evanescent_nepers > 0).any(0),
            (parameters.ring_down > 0).any(0).cumsum(0) > 0,
            (parameters.slowness != 0).any(0),
            (parameters.half_length > 0).any(0),
            (parameters.stripe_db > 0).any(0),
        ],
        dim=1,
    )
    names = ("core", "rim", "loss", "shell", "ring_down", "own_speed", "is_tube", "stripes")
    return [_Features(**dict(zip(names, column, strict=True))) for column in columns.tolist()]


_Tensors = tuple[Tensor, ...]


@cache
def _fused_add_object() -> Callable[[_Tensors, _Tensors, Tensor], _Tensors]:
    """``_add_object`` with all features, compiled to one kernel.

    Plain tuples go in and out: torch checks its arguments at every call, and named tuples made a picture of 24 objects
    take a quarter to 40 % longer (measured on an H200).
    """

    def add(maps: _Tensors, fields: _Tensors, stacked: Tensor) -> _Tensors:
        return tuple(_add_object(AcousticMaps(*maps), _GridFields(*fields), stacked))

    return torch.compile(add, dynamic=False)


def _add_object(
    maps: AcousticMaps, fields: _GridFields, stacked: Tensor, features: _Features = _ALL_FEATURES
) -> AcousticMaps:
    """The maps, each (B, l, s), with one more object in them. stacked : (B, N), see RenderParameters.stacked."""
    p = RenderParameters.of_stacked(stacked[:, None, None])  # each (B, 1, 1)
    x, z, right, down = fields.x, fields.z, fields.right, fields.down

    q2, gx, gz, gn = squared_radius(p, x, z, is_tube=features.is_tube)
    along = gx * right + gz * down
    if features.own_speed:
        # Sound that is slower inside comes back later: what lies a way t behind the near wall shows 1540 / c x t
        # behind it. The way is that through an ellipsoid: no tube has a speed of its own.
        curvature = (p.auu * right * right + 2 * p.auv * right * down + p.avv * down * down).clamp(min=TINY * TINY)
        way = (along + (along * along - curvature * (q2 - 1)).clamp(min=0).sqrt()).clamp(min=0)
        delay = way * (p.slowness / curvature)
        q2 = q2 - delay * (2 * along - curvature * delay)
    q = q2.clamp(min=TINY).sqrt()

    in_plane2 = (gx * gx + gz * gz).clamp(min=TINY * TINY)
    across2 = gn * gn
    inverse_gradient = (in_plane2 + across2).rsqrt()
    distance = (q + q * fields.bumps * p.unevenness - 1) * q * inverse_gradient  # mm outside the surface
    cosine = (along.abs() * inverse_gradient).clamp(max=1)

    # The slice has a thickness: where a surface leans across the plane, its echo is smeared and its border blurred.
    tilt_smear2 = (across2 / in_plane2 * (0.25 * p.slice_thickness_mm * p.slice_thickness_mm)).clamp(
        max=MAX_TILT_SMEAR_MM**2
    )
    sharpness = 1 / (p.border_blur_mm + 0.4 * tilt_smear2.sqrt())

    inside = _smooth_step(-distance * sharpness) * p.present
    level = p.echo_db + p.texture_db * fields.fine
    if features.stripes:
        # Stripes are thin, bent and broken, like the sheaths between the fibres of a muscle.
        phase = torch.pi * (beside_axis(p, x, z) / p.stripe_mm + fields.bumps)
        level = level + p.stripe_db * torch.cos(phase) ** 6 * (0.7 + 0.4 * fields.fine).clamp(0, 1.2)
    if features.core:
        core = _smooth_step((p.core_share - q) * sharpness * p.min_semi_axis_mm) * (p.core_share > _MIN_CORE_SHARE)
        level = level + core * (p.core_db - p.echo_db)

    # A surface bends away a beam that grazes it.
    bent_away = (1 - cosine) ** 4 * bump(distance * (1 / (1.5 * p.rim_thickness_mm)))
    loss = bent_away * (0.05 * p.loss_db.clamp(0.3, 4))
    crossing = p.loss_db
    dropout_db = -p.rim_dropout_db * fields.gaps
    if features.shell:
        # Beyond the critical angle no wave travels on in a shell. How little still passes depends on its thickness.
        beyond = (1 - cosine * cosine - p.critical_sine_squared).clamp(min=0).sqrt()
        tunnelled = tunnelling_db(p.evanescent_nepers * beyond).clamp(max=20)
        crossing, dropout_db = p.loss_db + tunnelled, dropout_db - 0.5 * tunnelled
    if features.loss:
        # The loss lies behind the echo on the beam's way, so that a wall does not shadow itself: one thickness further
        # in where the beam enters and further out where it leaves, and just inside for a beam that grazes.
        # 0.89 is the bump's area.
        behind = distance + p.rim_thickness_mm * (1 - along * inverse_gradient - cosine * cosine)
        per_mm = 1 / (0.89 * p.rim_thickness_mm)
        loss = loss + crossing * bump(behind * (1 / (0.53 * p.rim_thickness_mm))) * per_mm
    surface = maps.surface - maps.surface * inside
    ring_down = maps.ring_down
    if features.ring_down:
        ring_down = ring_down - ring_down * inside
    if features.rim:
        thickness2 = p.rim_thickness_mm * p.rim_thickness_mm
        smeared2 = thickness2 + tilt_smear2
        wall = bump(distance * (smeared2 * 0.36).rsqrt()) * (thickness2 / smeared2).sqrt().sqrt()
        by_angle = p.rim_floor + (1 - p.rim_floor) * cosine.clamp(min=TINY) ** p.rim_power
        echo = wall * by_angle * amplitude_from_db(dropout_db) * (p.rim_amplitude * p.present)
        surface = surface + echo
        if features.ring_down:
            ring_down = ring_down + p.ring_down * echo
    return AcousticMaps(
        echo_db=maps.echo_db + inside * (level - maps.echo_db),
        attenuation=maps.attenuation + inside * (p.attenuation - maps.attenuation),
        surface=surface,
        shell_db_per_mm=maps.shell_db_per_mm + loss * p.present,
        ring_down=ring_down,
    )


def _smooth_step(value: Tensor) -> Tensor:
    """From 0 at -3 to 1 at 3, as steep in the middle as a logistic curve."""
    share = (value * (1 / 6) + 0.5).clamp(0, 1)
    return share * share * (3 - 2 * share)
