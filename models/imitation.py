"""Learning from another network: how far the answers of a small network are from those of a large one.

A teacher's answers hold more than labels do: how sure it is of an object, and what it says beside the centres
(Hinton et al., Distilling the knowledge in a neural network, arXiv 1503.02531, 2015).
"""

from __future__ import annotations

from collections.abc import Callable

from torch import Tensor
from torch.nn import functional

from models.device_group import ALONE
from models.output_channels import CHANNELS

__all__ = ["imitation_loss"]


def imitation_loss(output: Tensor, teacher: Tensor, over_devices: Callable[[Tensor], Tensor] = ALONE.sum) -> Tensor:
    """A scalar, smallest where both outputs (B, 11, G, G) float32 are equal. No gradient flows to the teacher.

    Centres: cross-entropy with the teacher's probability, weighted by the square of the difference, as the quality
    focal loss (Li et al., Generalized focal loss, NeurIPS 2020, equation 3; beta 2), over the sum of the teacher's
    probabilities. Stages: Kullback-Leibler divergence. Offsets and shapes: absolute error. The last two are means
    over cells weighted by the teacher's probability of a centre, since other cells say nothing there.

    over_devices : as in models.losses.loss
    """
    teacher = teacher.detach()
    logit, probability = output[:, 0], teacher[:, 0].sigmoid()
    total_probability = over_devices(probability.sum()).clamp(min=1)
    weight = probability / total_probability
    distance2 = (logit.sigmoid() - probability) ** 2
    cross_entropy = functional.binary_cross_entropy_with_logits(logit, probability, reduction="none")
    centre = (distance2 * cross_entropy).sum() / total_probability

    def difference(name: str) -> Tensor:
        return ((output[:, CHANNELS[name]] - teacher[:, CHANNELS[name]]).abs().mean(1) * weight).sum()

    told, taught = (functional.log_softmax(one[:, CHANNELS["stage"]], 1) for one in (output, teacher))
    stage = ((taught.exp() * (taught - told)).sum(1) * weight).sum()
    return centre + stage + difference("offset") + difference("shape")
