"""Ellipses as two-dimensional Gaussians, whose distance is smooth where the overlap of outlines is not."""

from __future__ import annotations

import torch
from torch import Tensor

__all__ = ["covariance", "hellinger_distance"]

# Below this squared distance two outlines are the same for all purposes, and the root has no steep foot to fall off.
_SAME = 1e-6


def covariance(log_matrix: Tensor) -> Tensor:
    """(3, ...) xx, yy and xy entries of the covariance of a uniform ellipse, from its shape's matrix logarithm
    (3, ...), see ellipse.to_log_matrix.

    A uniform ellipse with semi-axis a has variance a^2 / 4 along it. With L = m I + D, D = [[d, e], [e, -d]] and
    s = sqrt(d^2 + e^2), the matrix exp(2 L) is e^(2m) (cosh 2s I + sinh 2s / s D).
    """
    xx, yy, xy = log_matrix.clamp(-4, 6)
    mean, difference = (xx + yy) / 2, (xx - yy) / 2
    spread = torch.sqrt(difference**2 + xy**2 + 1e-12)
    scale = torch.exp(2 * mean) / 4
    round_part, long_part = torch.cosh(2 * spread) * scale, torch.sinh(2 * spread) / spread * scale
    return torch.stack([round_part + long_part * difference, round_part - long_part * difference, long_part * xy])


def hellinger_distance(apart: Tensor, first: Tensor, second: Tensor) -> Tensor:
    """(...) the distance, 0 to 1, of Gaussians whose means lie ``apart`` (2, ...) with covariances (3, ...).

    H = sqrt(1 - exp(-B)) with Bhattacharyya's B = d' S^-1 d / 8 + ln(det S / sqrt(det S1 det S2)) / 2 and
    S = (S1 + S2) / 2: "ProbIoU" of Llerena et al., arXiv:2106.06072, 2021 (from memory). Small errors of the middle (in
    radii) and of the log axes cost alike: H^2 is about (d^2 + e^2) / 2.
    """
    xx, yy, xy = (first + second) / 2
    determinant = xx * yy - xy**2
    x, y = apart
    moved = (x * x * yy + y * y * xx - 2 * x * y * xy) / determinant
    own = [(one[0] * one[1] - one[2] ** 2).clamp(min=1e-12).log() for one in (first, second)]
    reshaped = determinant.clamp(min=1e-12).log() - (own[0] + own[1]) / 2
    return torch.sqrt((-torch.expm1(-(moved / 8 + reshaped / 2))).clamp(min=_SAME))
