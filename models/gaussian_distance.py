"""The distance of ellipses as two-dimensional Gaussians: smooth everywhere, unlike the overlap of outlines."""

from __future__ import annotations

import torch
from torch import Tensor

from models.output_channels import LOG_AXIS_RANGE

__all__ = ["covariance", "hellinger_distance"]

# The least squared distance. Closer outlines count as equal: the root's slope would grow without bound at 0.
_MIN_SQUARED_DISTANCE = 1e-6
_TINY = 1e-12  # keeps roots and logarithms of 0 finite


def covariance(log_matrix: Tensor) -> Tensor:
    """(3, ...) xx, yy and xy entries of the covariance of a uniform ellipse, from the matrix logarithm of its shape
    (3, ...), see models.ellipse.to_log_matrix.

    A uniform ellipse with semi-axis a has variance a^2 / 4 along it. With L = m I + D, D = [[d, e], [e, -d]] and
    s = sqrt(d^2 + e^2), the matrix exp(2 L) is e^(2m) (cosh 2s I + sinh 2s / s D).
    """
    xx, yy, xy = log_matrix.clamp(*LOG_AXIS_RANGE)
    mean, difference = (xx + yy) / 2, (xx - yy) / 2
    radius = torch.sqrt(difference**2 + xy**2 + _TINY)
    scale = torch.exp(2 * mean) / 4
    identity_part, deviator_part = torch.cosh(2 * radius) * scale, torch.sinh(2 * radius) / radius * scale
    return torch.stack(
        [identity_part + deviator_part * difference, identity_part - deviator_part * difference, deviator_part * xy]
    )


def hellinger_distance(shift: Tensor, first: Tensor, second: Tensor) -> Tensor:
    """(...) the distance, 0 to 1, of Gaussians whose means differ by ``shift`` (2, ...), with covariances (3, ...).

    H = sqrt(1 - exp(-B)) with the Bhattacharyya distance B = d' S^-1 d / 8 + ln(det S / sqrt(det S1 det S2)) / 2 and
    S = (S1 + S2) / 2: "ProbIoU" of Llerena et al., arXiv:2106.06072, 2021 (from memory). Small errors of the centre
    (in radii) and of the log axes cost the same: H^2 is about (d^2 + e^2) / 2.
    """
    xx, yy, xy = (first + second) / 2
    determinant = xx * yy - xy**2
    x, y = shift
    centre_term = (x * x * yy + y * y * xx - 2 * x * y * xy) / determinant
    log_determinants = [(one[0] * one[1] - one[2] ** 2).clamp(min=_TINY).log() for one in (first, second)]
    shape_term = determinant.clamp(min=_TINY).log() - (log_determinants[0] + log_determinants[1]) / 2
    return torch.sqrt((-torch.expm1(-(centre_term / 8 + shape_term / 2))).clamp(min=_MIN_SQUARED_DISTANCE))
