"""Our own network, trained as others are: the shape and the loss of ``configs/training.toml``."""

from __future__ import annotations

from functools import cache
from typing import cast

import numpy as np
import torch
from torch import Tensor, nn

from configs.reading import config_path
from models.decode import decode
from models.losses import LossSettings, loss
from models.network import EggNetwork
from models.targets import Labels, make_targets
from models.weights_file import NetworkConfig
from pipeline.bench.peers.torch_network import TorchNetwork
from pipeline.bench.peers.trainable_network import Outlines
from pipeline.settings import load_settings
from synthetic.training.training_run import TrainingSettings, load_training_settings, select_settings

__all__ = ["our_network", "shipped_training"]


@cache
def shipped_training() -> TrainingSettings:
    """The first of the runs that trained the shipped network."""
    return load_training_settings(config_path("training.toml"))


def our_network() -> TorchNetwork:
    """The shipped shape with random weights."""
    settings = shipped_training()
    shape, weights = select_settings(NetworkConfig, settings), select_settings(LossSettings, settings)

    def training_loss(network: nn.Module, pictures: Tensor, labels: Labels) -> Tensor:
        with torch.autocast(pictures.device.type, dtype=torch.bfloat16, enabled=pictures.is_cuda):
            output = network(pictures)
        return loss(output.float(), make_targets(labels, pictures.shape[-1]), weights).total

    return TorchNetwork(
        build=lambda: EggNetwork(shape),
        loss=training_loss,
        outlines=_outlines,
        batch=settings.batch,
        learning_rate=settings.learning_rate,
        weight_decay=settings.weight_decay,
        is_compiled=True,
    )


def _outlines(network: nn.Module, picture: Tensor) -> Outlines:
    """As `pipeline.detect.detector` reads the answers."""
    detect = load_settings(None).detect
    output = cast(Tensor, network(picture))[0].float().cpu().numpy()
    found = decode(output, minimum_score=detect.minimum_score, maximum_overlap=detect.same_object_iou)
    stages = np.argmax(found.stage_probabilities, 1) + 1
    return [
        {"ellipse": ellipse, "score": score, "category_id": stage}
        for ellipse, score, stage in zip(found.ellipses.tolist(), found.scores.tolist(), stages.tolist(), strict=True)
    ]
