"""The bodies that a scan plane meets, as the numbers from which the renderer draws them."""

from __future__ import annotations

from dataclasses import dataclass
from typing import NamedTuple

import torch
from torch import Tensor

from synthetic.acoustics.geometry import BeamGrid
from synthetic.acoustics.materials import Materials
from synthetic.acoustics.shells import SOFT_TISSUE, Shell, critical_sine, evanescent_depth, shell_echo
from synthetic.decibels import amplitude_from_db

__all__ = ["MAX_TILT_SMEAR_MM", "TINY", "Plane", "Pulse", "RenderParameters", "Slice", "render_parameters"]

TINY = 1e-6  # keeps divisors and the arguments of square roots above 0
MAX_TILT_SMEAR_MM = 4.0  # most that the slice's thickness smears a surface that leans across the plane
_MIN_RIM_DB = -25.0  # a surface whose echo is weaker than this is not drawn
_MIN_BORDER_BLUR_MM = 0.01
_MIN_STRIPE_MM = 0.1


@dataclass(frozen=True)
class Plane:
    """Where the probe is, in body mm.

    origin : (B, 3) the middle of the probe's face;  right, down : (B, 3) unit vectors along the face and away from it
    """

    origin: Tensor
    right: Tensor
    down: Tensor


@dataclass(frozen=True)
class Slice:
    """The objects that B planes meet. Later objects are drawn over earlier ones.

    centre : (B, K, 3) mm;  shape : (B, K, 3, 3) matrices M with (p - c)' M (p - c) = 1 on an ellipsoid's surface
    rotation : (B, K, 3, 3), whose columns are the axes;  half_length, bend : (B, K) mm and 1/mm of tubes, 0 for
    ellipsoids, see squared_radius
    min_semi_axis_mm : (B, K) the shortest semi-axis;  materials : (B, K);  present : (B, K) bool
    noise_offset : (B, 3) mm, moves the body's noise
    """

    centre: Tensor
    shape: Tensor
    rotation: Tensor
    half_length: Tensor
    bend: Tensor
    min_semi_axis_mm: Tensor
    materials: Materials
    present: Tensor
    noise_offset: Tensor


@dataclass(frozen=True)
class Pulse:
    """What a scanner sends out; each (B,).

    frequency_mhz : centre frequency;  bandwidth : at -6 dB, as a share of the frequency
    slice_thickness_mm : of the slice across the plane;  axial_sigma_mm : standard deviation of the pulse along the beam
    """

    frequency_mhz: Tensor
    bandwidth: Tensor
    slice_thickness_mm: Tensor
    axial_sigma_mm: Tensor


class RenderParameters(NamedTuple):
    """Numbers that describe K objects in each of B pictures; all (B, K).

    On the plane p = o + x u + z v the squared radius q2 = (p - c)' M (p - c) is a quadratic in x and z. Its gradient,
    also the part across the plane, is linear. So a few numbers describe an object in any attitude.

    auu to constant : q2 = auu x^2 + 2 auv x z + avv z^2 + 2 bu x + 2 bv z + constant
    nu, nv, nd : half the gradient across the plane is nu x + nv z + nd;  present : 1 or 0
    axis_right, _down, _across : the first axis, in the plane's directions;  axis_offset : its share of p - c at the
    origin;  axis_stiffness : 1 / semi-axis^2;  side_... : the same of the second axis
    half_length, bend : as in Slice
    rim_thickness_mm : of the surface
    rim_amplitude : of the surface's echo, raised so that its level is right after the pulse has blurred it
    loss_db : one way, of one crossing of the surface, with the shell's own loss
    slowness : 1 - (speed of sound inside) / (speed in soft tissue)
    critical_sine_squared : of the shell's critical angle;  evanescent_nepers : see shells.evanescent_depth
    slice_thickness_mm : of the slice across the plane;  all others as in Materials
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
    axis_right: Tensor
    axis_down: Tensor
    axis_across: Tensor
    axis_offset: Tensor
    axis_stiffness: Tensor
    side_right: Tensor
    side_down: Tensor
    side_across: Tensor
    side_offset: Tensor
    side_stiffness: Tensor
    half_length: Tensor
    bend: Tensor
    present: Tensor
    min_semi_axis_mm: Tensor
    rim_thickness_mm: Tensor
    echo_db: Tensor
    texture_db: Tensor
    stripe_db: Tensor
    stripe_mm: Tensor
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

    def stacked(self) -> Tensor:
        """(B, K, N) all N parameters in one tensor, which a GPU kernel reads faster than N tensors."""
        return torch.stack(list(self), dim=-1)

    @classmethod
    def of_stacked(cls, parameters: Tensor) -> RenderParameters:
        """The inverse of :meth:`stacked`, for parameters (..., N)."""
        return cls(*parameters.unbind(-1))

    def over_grid(self) -> RenderParameters:
        """The same with two more dimensions of size 1, to be broadcast over lines and samples."""
        return RenderParameters(*(value[..., None, None] for value in self))


def render_parameters(slice_: Slice, plane: Plane, grid: BeamGrid, pulse: Pulse) -> RenderParameters:
    """The parameters of the slice's objects for this pulse and grid."""
    offset = plane.origin[:, None] - slice_.centre  # (B, K, 3)
    u, v = plane.right[:, None], plane.down[:, None]
    across = torch.linalg.cross(u, v)
    mu, mv, md = (torch.einsum("bkij,bkj->bki", slice_.shape, w.expand(offset.shape)) for w in (u, v, offset))
    axis, side = slice_.rotation[..., 0], slice_.rotation[..., 1]
    m = slice_.materials
    # A wall thinner than one sample would fall between the samples.
    rim_thickness = torch.maximum(torch.maximum(m.rim_mm, m.rim_share * slice_.min_semi_axis_mm), grid.step[..., 0])
    # A wall's profile is as wide as a Gaussian of 0.4 of its thickness. The pulse widens it and lowers its peak.
    profile_sigma = 0.4 * rim_thickness
    peak_loss = torch.hypot(pulse.axial_sigma_mm[:, None], profile_sigma) / profile_sigma

    shell = Shell(m.shell_mm, m.mineral, m.absorption)
    frequency = pulse.frequency_mhz[:, None].expand_as(rim_thickness)
    echo = shell_echo(shell, frequency_mhz=frequency, bandwidth=pulse.bandwidth[:, None].expand_as(rim_thickness))
    has_shell = m.shell_mm > 0
    rim_db = m.rim_db + torch.where(has_shell, echo.reflected_db, 0.0)
    return RenderParameters(
        auu=(u * mu).sum(-1),
        auv=(u * mv).sum(-1),
        avv=(v * mv).sum(-1),
        bu=(u * md).sum(-1),
        bv=(v * md).sum(-1),
        constant=(offset * md).sum(-1),
        nu=(across * mu).sum(-1),
        nv=(across * mv).sum(-1),
        nd=(across * md).sum(-1),
        axis_right=(axis * u).sum(-1),
        axis_down=(axis * v).sum(-1),
        axis_across=(axis * across).sum(-1),
        axis_offset=(axis * offset).sum(-1),
        axis_stiffness=torch.einsum("bki,bkij,bkj->bk", axis, slice_.shape, axis),
        side_right=(side * u).sum(-1),
        side_down=(side * v).sum(-1),
        side_across=(side * across).sum(-1),
        side_offset=(side * offset).sum(-1),
        side_stiffness=torch.einsum("bki,bkij,bkj->bk", side, slice_.shape, side),
        half_length=slice_.half_length,
        bend=slice_.bend,
        present=slice_.present.float(),
        min_semi_axis_mm=slice_.min_semi_axis_mm,
        rim_thickness_mm=rim_thickness,
        echo_db=m.echo_db,
        texture_db=m.texture_db,
        stripe_db=m.stripe_db,
        stripe_mm=m.stripe_mm.clamp(min=_MIN_STRIPE_MM),
        core_share=m.core_share,
        core_db=m.core_db,
        rim_amplitude=amplitude_from_db(rim_db) * peak_loss * (rim_db > _MIN_RIM_DB),
        rim_floor=m.rim_floor,
        rim_power=m.rim_power,
        rim_dropout_db=m.rim_dropout_db,
        loss_db=m.loss_db + torch.where(has_shell, echo.loss_db, 0.0),
        attenuation=m.attenuation,
        unevenness=m.unevenness,
        border_blur_mm=m.border_blur_mm.clamp(min=_MIN_BORDER_BLUR_MM),
        ring_down=m.ring_down,
        slowness=1 - m.speed / SOFT_TISSUE.speed,
        critical_sine_squared=critical_sine(shell) ** 2,
        evanescent_nepers=evanescent_depth(shell, frequency),
        slice_thickness_mm=pulse.slice_thickness_mm[:, None].expand_as(rim_thickness),
    )
