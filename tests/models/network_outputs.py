"""Labels of one picture, and the output of a perfect network for them."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import torch
from numpy.typing import NDArray

from models.output_channels import CHANNEL_COUNT, CHANNELS, INPUT_SIDE_PX
from models.targets import Labels, Role, Targets, make_targets

__all__ = ["CERTAIN_LOGIT", "NetworkOutput", "labels_of", "output_for", "perfect_output"]

Row = Sequence[float]
NetworkOutput = NDArray[np.float32]

CERTAIN_LOGIT = 9.0  # stands for certainty


def labels_of(
    objects: Sequence[Row], *, stages: Sequence[int] | None = None, ignored: Sequence[Row] = (), empty: int = 1
) -> Labels:
    """Labels of one picture: (1, K) targets, ignored objects, and some empty rows as in padded batches."""
    rows = [*objects, *ignored, *([[0.0] * 5] * empty)]
    role = [Role.TARGET] * len(objects) + [Role.IGNORED] * len(ignored) + [Role.EMPTY] * empty
    stage = [*(stages or [2] * len(objects)), *([0] * (len(ignored) + empty))]
    return Labels(
        torch.tensor(np.array(rows), dtype=torch.float32)[None],
        torch.tensor(stage)[None],
        torch.tensor(role)[None],
        torch.ones(1, len(rows)),
        torch.ones(1),
    )


def output_for(targets: Targets) -> NetworkOutput:
    """(11, G, G) output that matches the targets of one picture.

    The cell of a centre is certain, the cells around it have the probability of the heat map; every cell predicts its
    object.
    """
    heat_map = targets.heat_map[0].double().clamp(1e-6, 1 - 1e-6)
    output = np.zeros((CHANNEL_COUNT, *heat_map.shape), dtype=np.float32)
    output[CHANNELS["centre"]] = torch.logit(heat_map).numpy()
    output[CHANNELS["stage"]] = CERTAIN_LOGIT * np.eye(3)[targets.stage[0].numpy()].transpose(2, 0, 1)
    output[CHANNELS["offset"]] = targets.offset[0].numpy()
    output[CHANNELS["shape"]] = targets.shape[0].numpy()
    return output


def perfect_output(
    objects: Sequence[Row], *, stages: Sequence[int] | None = None, ignored: Sequence[Row] = ()
) -> NetworkOutput:
    """(11, G, G) the perfect output for a picture of the network's size with these objects, rows in px."""
    return output_for(make_targets(labels_of(objects, stages=stages, ignored=ignored), INPUT_SIDE_PX))
