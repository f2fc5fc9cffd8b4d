"""The training loss: how far network output is from the targets."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import torch
from torch import Tensor
from torch.nn import functional

from models.device_group import ALONE
from models.ellipse_tensors import log_semi_axes
from models.gaussian_distance import covariance, hellinger_distance
from models.imitation import imitation_loss
from models.output_channels import CHANNELS, LOG_ERROR_RANGE
from models.targets import Targets

__all__ = ["Loss", "LossSettings", "loss"]

# Weights of two terms in the total, in addition to those in the settings, chosen by trial.
STAGE_WEIGHT = 0.5
UNCERTAINTY_WEIGHT = 0.05
# Errors of a log axis beyond this no longer increase the distance of the outlines; no unit, chosen by trial.
MAX_LOG_AXIS_ERROR = 1.5


@dataclass(frozen=True)
class LossSettings:
    """l1_weight : of the absolute errors of centre and axes;  overlap_weight : of the distance of the outlines
    object_balance : 0, every positive cell has the same weight and large objects dominate; 1, every object has the
    same weight;  imitation_weight : of the distance to the answers of a teacher, where there is one
    """

    l1_weight: float
    overlap_weight: float
    object_balance: float
    imitation_weight: float = 0.0


@dataclass(frozen=True)
class Loss:
    """Scalars; ``total`` is what is minimised. Where several devices train, the loss is the sum over them."""

    total: Tensor
    centre: Tensor
    stage: Tensor
    offset: Tensor
    shape: Tensor
    overlap: Tensor
    uncertainty: Tensor
    imitation: Tensor


def loss(
    output: Tensor,
    targets: Targets,
    settings: LossSettings,
    teacher: Tensor | None = None,
    over_devices: Callable[[Tensor], Tensor] = ALONE.sum,
) -> Loss:
    """The loss of network output (B, 11, G, G) float32 against targets, and against a teacher's output for the same.

    over_devices : sums over all devices, each of which has a share of the batch

    Centres: penalty-reduced focal loss (Law and Deng, CornerNet, ECCV 2018, equation 1; alpha 2, beta 4).
    Outlines: absolute error of the centre in radii and of the log axes, and the distance of both outlines as Gaussians.
    Uncertainty: negative log-likelihood of a Laplace distribution for the errors of the centre and of the two log
    axes. The errors are detached, so that a larger uncertainty cannot make up for a worse outline.
    """
    heat_map, weight = targets.heat_map, targets.heat_map_weight
    logit = output[:, CHANNELS["centre"]][:, 0]
    probability = torch.sigmoid(logit)
    is_centre = heat_map == 1
    log_likelihood = torch.where(
        is_centre,
        (1 - probability) ** 2 * functional.logsigmoid(logit),
        (1 - heat_map) ** 4 * probability**2 * functional.logsigmoid(-logit),
    )
    # An object has about as many positive cells as its area, the square of its size, holds.
    cell_weight = targets.positive * targets.size.clamp(min=1) ** (-2 * settings.object_balance)
    totals = over_devices(torch.stack([is_centre.sum().float(), cell_weight.sum()]))
    centre = -(log_likelihood * weight).sum() / totals[0].clamp(min=1)
    total_weight = totals[1].clamp(min=1e-6)

    def mean(values: Tensor) -> Tensor:
        return (values * cell_weight).sum() / total_weight

    stage = mean(functional.cross_entropy(output[:, CHANNELS["stage"]], targets.stage, reduction="none"))
    predicted_shape = output[:, CHANNELS["shape"]]
    shift = output[:, CHANNELS["offset"]] - targets.offset
    offset_error, shape_error = shift.abs().mean(1), (predicted_shape - targets.shape).abs().mean(1)
    offset, shape = mean(offset_error / targets.size), mean(shape_error)
    limited = _limit_error(predicted_shape, targets.shape).movedim(1, 0)
    predicted_covariance, true_covariance = covariance(limited), covariance(targets.shape.movedim(1, 0))
    overlap = mean(hellinger_distance(shift.movedim(1, 0), predicted_covariance, true_covariance))

    axes_error = (log_semi_axes(predicted_shape.detach()) - log_semi_axes(targets.shape)).abs().mean(1)
    log_scale = output[:, CHANNELS["uncertainty"]].clamp(*LOG_ERROR_RANGE)
    errors = torch.stack([offset_error.detach(), axes_error], 1)
    uncertainty = mean((errors * torch.exp(-log_scale) + log_scale).mean(1))
    outline = settings.l1_weight * (offset + shape) + settings.overlap_weight * overlap
    imitation = torch.zeros_like(centre) if teacher is None else imitation_loss(output, teacher, over_devices)
    total = centre + STAGE_WEIGHT * stage + outline + UNCERTAINTY_WEIGHT * uncertainty
    total = total + settings.imitation_weight * imitation
    return Loss(total, centre, stage, offset, shape, overlap, uncertainty, imitation)


def _limit_error(predicted: Tensor, true: Tensor) -> Tensor:
    """The predicted values, moved to within MAX_LOG_AXIS_ERROR of the true ones; nearly unchanged where they are close.

    An untrained network predicts axes of any length and ratio. In single precision their determinant can become 0, and
    one such cell in a batch would end a run.
    """
    return true + MAX_LOG_AXIS_ERROR * torch.tanh((predicted - true) / MAX_LOG_AXIS_ERROR)
