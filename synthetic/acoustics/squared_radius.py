"""The squared radius of bodies on a scan plane, and its gradient: from them everything is drawn.

An ellipsoid has q2 = (p - c)' M (p - c), 1 on its surface. A tube is an ellipsoid that is drawn out along its first
axis a and bent towards its second axis n: with r = p - c,

    t = r.a, kept between -half length and half length;  b = bend t^2 / 2;  q2 = (r - t a - b n)' M (r - t a - b n)

So it has the ellipsoid's section everywhere along a parabola, and half of the ellipsoid at each end. An ellipsoid is
the tube of half length 0.
"""

from __future__ import annotations

from typing import NamedTuple

from torch import Tensor

from synthetic.acoustics.render_parameters import RenderParameters

__all__ = ["SquaredRadius", "beside_axis", "squared_radius"]


class SquaredRadius(NamedTuple):
    """q2 on the plane, and half its gradient: to the right, away from the probe and across the plane."""

    q2: Tensor
    right: Tensor
    down: Tensor
    across: Tensor


def squared_radius(p: RenderParameters, x: Tensor, z: Tensor, *, is_tube: bool = True) -> SquaredRadius:
    """At plane points (..., l, s) in mm, for parameters that broadcast against them.

    is_tube : False spares the work that an ellipsoid does not need
    """
    right = p.auu * x + p.auv * z + p.bu
    down = p.auv * x + p.avv * z + p.bv
    across = p.nu * x + p.nv * z + p.nd
    q2 = (right + p.bu) * x + (down + p.bv) * z + p.constant
    if not is_tube:
        return SquaredRadius(q2, right, down, across)
    along, t, b = _along(p, x, z)
    beside = beside_axis(p, x, z)
    q2 = q2 - t * p.axis_stiffness * (2 * along - t) - b * p.side_stiffness * (2 * beside + b)
    # M (r - t a - b n), and between the ends what comes from t's and b's own change along the axis.
    lean = p.bend * t * beside * p.side_stiffness * (along == t)
    axial, lateral = t * p.axis_stiffness + lean, b * p.side_stiffness
    return SquaredRadius(
        q2,
        right - axial * p.axis_right - lateral * p.side_right,
        down - axial * p.axis_down - lateral * p.side_down,
        across - axial * p.axis_across - lateral * p.side_across,
    )


def beside_axis(p: RenderParameters, x: Tensor, z: Tensor) -> Tensor:
    """(..., l, s) mm by which plane points lie beside the parabola, along the second axis."""
    _, _, b = _along(p, x, z)
    return p.side_right * x + p.side_down * z + p.side_offset - b


def _along(p: RenderParameters, x: Tensor, z: Tensor) -> tuple[Tensor, Tensor, Tensor]:
    """(p - c).a, t and b of the module's text."""
    along = p.axis_right * x + p.axis_down * z + p.axis_offset
    t = along.clamp(-p.half_length, p.half_length)
    return along, t, 0.5 * p.bend * t * t
