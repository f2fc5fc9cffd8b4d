"""How wrong an answer is."""

from __future__ import annotations

from dataclasses import dataclass

import torch
from torch import Tensor
from torch.nn import functional

from models.answer import CHANNELS
from models.targets import Targets

__all__ = ["Loss", "loss"]


@dataclass(frozen=True)
class Loss:
    """Scalars; ``total`` is what is minimised."""

    total: Tensor
    centre: Tensor
    stage: Tensor
    offset: Tensor
    shape: Tensor
    spread: Tensor


def loss(answer: Tensor, targets: Targets) -> Loss:
    """The loss of answers (B, 11, G, G) float32 against targets.

    Centres: penalty-reduced focal loss (Law and Deng, CornerNet, ECCV 2018, equation 1; alpha 2, beta 4).
    Outlines: absolute error of the middle in radii and of the log axes. Spread: negative log-likelihood of a
    Laplace distribution for those same errors, which are detached so that doubt cannot buy off accuracy.
    """
    heat, weight = targets.heat, targets.heat_weight
    logit = answer[:, CHANNELS["centre"]][:, 0]
    probability = torch.sigmoid(logit)
    found = heat == 1
    gain = torch.where(
        found,
        (1 - probability) ** 2 * functional.logsigmoid(logit),
        (1 - heat) ** 4 * probability**2 * functional.logsigmoid(-logit),
    )
    centre = -(gain * weight).sum() / found.sum().clamp(min=1)

    mask = targets.answering
    count = mask.sum().clamp(min=1)

    def mean(values: Tensor) -> Tensor:
        return (values * mask).sum() / count

    stage = mean(functional.cross_entropy(answer[:, CHANNELS["stage"]], targets.stage, reduction="none"))
    offset_error = (answer[:, CHANNELS["offset"]] - targets.offset).abs().mean(1)
    shape_error = (answer[:, CHANNELS["shape"]] - targets.shape).abs().mean(1)
    offset, shape = mean(offset_error / targets.size), mean(shape_error)
    spread = answer[:, CHANNELS["spread"]].clamp(-6, 4)
    errors = torch.stack([offset_error, shape_error], 1).detach()
    likelihood = mean((errors * torch.exp(-spread) + spread).mean(1))
    total = centre + 0.5 * stage + 4 * offset + 4 * shape + 0.05 * likelihood
    return Loss(total, centre, stage, offset, shape, likelihood)
