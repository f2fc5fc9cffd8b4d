"""Ellipsoids that a scan plane meets, as the numbers from which they are drawn."""

from __future__ import annotations

from dataclasses import dataclass

import torch
from torch import Tensor

from synthetic.acoustics.decibels import amplitude_from_db
from synthetic.acoustics.geometry import BeamGrid
from synthetic.acoustics.materials import Materials
from synthetic.acoustics.shells import Shell, critical_sine, evanescent_depth, shell_echo

__all__ = ["MAX_TILT_SMEAR_MM", "TINY", "Plane", "Pulse", "RenderParameters", "Slice", "render_parameters"]

TINY = 1e-6
MAX_TILT_SMEAR_MM = 4.0  # by how much a slice's thickness smears a surface that leans across the plane
_UNSEEN_DB = -25.0  # surfaces of less echo are none
_LEAST_SOFTNESS_MM = 0.01
_SOFT_TISSUE_SPEED = 1.54  # mm/us


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
    """What the plane meets. centre (B, K, 3) mm, shape (B, K, 3, 3), min_semi_axis_mm (B, K) the least semi-axis,
    materials (B, K), present (B, K) bool; later objects are drawn over earlier ones. noise_offset (B, 3) mm moves
    the body's noise.
    """

    centre: Tensor
    shape: Tensor
    min_semi_axis_mm: Tensor
    materials: Materials
    present: Tensor
    noise_offset: Tensor


@dataclass(frozen=True)
class Pulse:
    """What a scanner sends out; each (B,): frequency_mhz, bandwidth as a share of it, slice_thickness_mm thickness of the slice
    across the plane, axial_sigma_mm deviation of the pulse along the beam.
    """

    frequency_mhz: Tensor
    bandwidth: Tensor
    slice_thickness_mm: Tensor
    axial_sigma_mm: Tensor


@dataclass(frozen=True)
class RenderParameters:
    """Of K objects in each of B pictures; all (B, K).

    On the plane p = o + x u + z v the squared radius q2 = (p - c)' M (p - c) is a quadratic in x and z and its
    gradient, also across the plane, is linear: a few numbers an object, whatever its attitude.

    auu to constant : q2 = auu x^2 + 2 auv x z + avv z^2 + 2 bu x + 2 bv z + constant
    nu, nv, nd : half the gradient across the plane is nu x + nv z + nd;  present : 1 or 0
    rim_thickness_mm : of the surface;  rim_amplitude : amplitude of its echo, such that its level is right after the pulse's blur
    loss_db : of one crossing with the shell's;  slowness : 1 - speed of sound inside over that of tissue
    critical_sine_squared : squared sine of the shell's critical angle;  evanescent_nepers : see shells.evanescent_depth
    slice_thickness_mm : thickness of the slice;  all others as in Materials
    """

    auu: Tensor
    auv: Tensor
    avv: Tensor
    bu: Tensor
    bv: Tensor
    constant: Tensor
    nu: Tensor
    nv: Tensor
    nd: Tensor
    present: Tensor
    min_semi_axis_mm: Tensor
    rim_thickness_mm: Tensor
    echo_db: Tensor
    texture_db: Tensor
    core_share: Tensor
    core_db: Tensor
    rim_amplitude: Tensor
    rim_floor: Tensor
    rim_power: Tensor
    rim_dropout_db: Tensor
    loss_db: Tensor
    attenuation: Tensor
    unevenness: Tensor
    border_blur_mm: Tensor
    ring_down: Tensor
    slowness: Tensor
    critical_sine_squared: Tensor
    evanescent_nepers: Tensor
    slice_thickness_mm: Tensor


def render_parameters(slice_: Slice, plane: Plane, grid: BeamGrid, pulse: Pulse) -> RenderParameters:
    """What a pulse meets in the slice, for drawing on the grid."""
    offset = plane.origin[:, None] - slice_.centre  # (B, K, 3)
    u, v = plane.right[:, None], plane.down[:, None]
    across = torch.linalg.cross(u, v)
    mu, mv, md = (torch.einsum("bkij,bkj->bki", slice_.shape, w.expand(offset.shape)) for w in (u, v, offset))
    m = slice_.materials
    # A wall thinner than a sample would fall between samples.
    thick = torch.maximum(torch.maximum(m.rim_mm, m.rim_share * slice_.min_semi_axis_mm), grid.step[..., 0])
    # A wall's profile is as wide as a Gaussian of 0.4 of its thickness; the pulse spreads it and lowers its peak.
    lowered = torch.hypot(pulse.axial_sigma_mm[:, None], 0.4 * thick) / (0.4 * thick)

    shell = Shell(m.shell_mm, m.mineral, m.absorption)
    frequency = pulse.frequency_mhz[:, None].expand_as(thick)
    echo = shell_echo(shell, frequency_mhz=frequency, bandwidth=pulse.bandwidth[:, None].expand_as(thick))
    shelled = m.shell_mm > 0
    rim_db = m.rim_db + torch.where(shelled, echo.reflected_db, 0.0)
    loss_db = m.loss_db + torch.where(shelled, echo.loss_db, 0.0)
    return RenderParameters(
        *((u * mu).sum(-1), (u * mv).sum(-1), (v * mv).sum(-1)),
        *((u * md).sum(-1), (v * md).sum(-1), (offset * md).sum(-1)),
        *((across * mu).sum(-1), (across * mv).sum(-1), (across * md).sum(-1)),
        *(slice_.present.float(), slice_.min_semi_axis_mm, thick),
        *(m.echo_db, m.texture_db, m.core_share, m.core_db),
        *(
            amplitude_from_db(rim_db) * lowered * (rim_db > _UNSEEN_DB),
            m.rim_floor,
            m.rim_power,
            m.rim_dropout_db,
            loss_db,
        ),
        *(m.attenuation, m.unevenness, m.border_blur_mm.clamp(min=_LEAST_SOFTNESS_MM), m.ring_down),
        *(1 - m.speed / _SOFT_TISSUE_SPEED, critical_sine(shell) ** 2),
        *(evanescent_depth(shell, frequency), pulse.slice_thickness_mm[:, None].expand_as(thick)),
    )
