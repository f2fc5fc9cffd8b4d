"""How wrong an answer is."""

from __future__ import annotations

from dataclasses import dataclass

import torch
from torch import Tensor
from torch.nn import functional

from models.gaussian_distance import covariance, hellinger_distance
from models.output_channels import CHANNELS
from models.targets import Targets

# Of a log axis, how far from the truth the distance of whole outlines still looks.
MAX_LOG_AXIS_ERROR = 1.5

__all__ = ["Loss", "LossSettings", "loss"]


@dataclass(frozen=True)
class LossSettings:
    """l1_weight : of the errors of middle and axes, each by itself;  overlap_weight : of the outlines as a whole
    object_balance : 0, all positive cells count alike and large objects most; 1, all objects count alike
    """

    l1_weight: float
    overlap_weight: float
    object_balance: float


@dataclass(frozen=True)
class Loss:
    """Scalars; ``total`` is what is minimised."""

    total: Tensor
    centre: Tensor
    stage: Tensor
    offset: Tensor
    shape: Tensor
    overlap: Tensor
    uncertainty: Tensor


def loss(answer: Tensor, targets: Targets, settings: LossSettings) -> Loss:
    """The loss of answers (B, 11, G, G) float32 against targets.

    Centres: penalty-reduced focal loss (Law and Deng, CornerNet, ECCV 2018, equation 1; alpha 2, beta 4).
    Outlines: absolute error of the middle in radii and of the log axes, and the distance of both outlines as Gaussians.
    Spread: negative log-likelihood of a Laplace distribution for the errors of the middle and of the two log axes,
    which are detached so that doubt cannot buy off accuracy.
    """
    heat_map, weight = targets.heat_map, targets.heat_map_weight
    logit = answer[:, CHANNELS["centre"]][:, 0]
    probability = torch.sigmoid(logit)
    found = heat_map == 1
    gain = torch.where(
        found,
        (1 - probability) ** 2 * functional.logsigmoid(logit),
        (1 - heat_map) ** 4 * probability**2 * functional.logsigmoid(-logit),
    )
    centre = -(gain * weight).sum() / found.sum().clamp(min=1)

    # An object answers with about as many cells as its area has.
    share = targets.positive * targets.size.clamp(min=1) ** (-2 * settings.object_balance)
    whole = share.sum().clamp(min=1e-6)

    def mean(values: Tensor) -> Tensor:
        return (values * share).sum() / whole

    stage = mean(functional.cross_entropy(answer[:, CHANNELS["stage"]], targets.stage, reduction="none"))
    said = answer[:, CHANNELS["shape"]]
    apart = answer[:, CHANNELS["offset"]] - targets.offset
    offset_error, shape_error = apart.abs().mean(1), (said - targets.shape).abs().mean(1)
    offset, shape = mean(offset_error / targets.size), mean(shape_error)
    near = _within_reach(said, targets.shape).movedim(1, 0)
    said_covariance, true_covariance = covariance(near), covariance(targets.shape.movedim(1, 0))
    overlap = mean(hellinger_distance(apart.movedim(1, 0), said_covariance, true_covariance))

    axes_error = (_log_axes(said.detach()) - _log_axes(targets.shape)).abs().mean(1)
    spread = answer[:, CHANNELS["uncertainty"]].clamp(-6, 4)
    errors = torch.stack([offset_error.detach(), axes_error], 1)
    likelihood = mean((errors * torch.exp(-spread) + spread).mean(1))
    outline = settings.l1_weight * (offset + shape) + settings.overlap_weight * overlap
    total = centre + 0.5 * stage + outline + 0.05 * likelihood
    return Loss(total, centre, stage, offset, shape, overlap, likelihood)


def _within_reach(said: Tensor, true: Tensor) -> Tensor:
    """What is said, drawn to within MAX_LOG_AXIS_ERROR of what is true, and all but unchanged where they are close.

    A network that knows nothing yet says axes of any length and ratio; single precision then finds no determinant, and
    one such cell in a whole batch ends a run.
    """
    return true + MAX_LOG_AXIS_ERROR * torch.tanh((said - true) / MAX_LOG_AXIS_ERROR)


def _log_axes(log_matrix: Tensor) -> Tensor:
    """(B, 2, G, G) logarithms of the longer and the shorter semi-axis, of matrix logarithms (B, 3, G, G)."""
    xx, yy, xy = log_matrix.unbind(1)
    mean, spread = (xx + yy) / 2, torch.hypot((xx - yy) / 2, xy)
    return torch.stack([mean + spread, mean - spread], 1)
