"""Labels of one picture, and the answers that a network without fault would give to them."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import torch
from numpy.typing import NDArray

from models.output_channels import CHANNEL_COUNT, CHANNELS, INPUT_SIDE_PX
from models.targets import Labels, Targets, make_targets

__all__ = ["CERTAIN_LOGIT", "IGNORED", "ROLE_TARGET", "NetworkOutput", "labels_of", "output_for", "perfect_output"]

Row = Sequence[float]
NetworkOutput = NDArray[np.float32]

ROLE_TARGET, IGNORED = 1, -1
CERTAIN_LOGIT = 9.0  # a logit that stands for knowing


def labels_of(
    wanted: Sequence[Row], *, stages: Sequence[int] | None = None, ignored: Sequence[Row] = (), empty: int = 1
) -> Labels:
    """Labels of one picture: (1, K) wanted objects, ignored ones, and some empty rows as batches have them."""
    rows = [*wanted, *ignored, *([[0.0] * 5] * empty)]
    role = [ROLE_TARGET] * len(wanted) + [IGNORED] * len(ignored) + [0] * empty
    stage = [*(stages or [2] * len(wanted)), *([0] * (len(ignored) + empty))]
    return Labels(
        torch.tensor(np.array(rows), dtype=torch.float32)[None],
        torch.tensor(stage)[None],
        torch.tensor(role)[None],
        torch.ones(1, len(rows)),
        torch.ones(1),
    )


def output_for(targets: Targets) -> NetworkOutput:
    """(11, G, G) what the targets of one picture ask for.

    The middle's cell is sure and the cells around it are as sure as the bump says; every cell tells of its object.
    """
    heat_map = targets.heat_map[0].double().clamp(1e-6, 1 - 1e-6)
    answer = np.zeros((CHANNEL_COUNT, *heat_map.shape), dtype=np.float32)
    answer[CHANNELS["centre"]] = torch.logit(heat_map).numpy()
    answer[CHANNELS["stage"]] = CERTAIN_LOGIT * np.eye(3)[targets.stage[0].numpy()].transpose(2, 0, 1)
    answer[CHANNELS["offset"]] = targets.offset[0].numpy()
    answer[CHANNELS["shape"]] = targets.shape[0].numpy()
    return answer


def perfect_output(
    wanted: Sequence[Row], *, stages: Sequence[int] | None = None, ignored: Sequence[Row] = ()
) -> NetworkOutput:
    """(11, G, G) the answer to a picture of the network's size with these objects, rows in px."""
    return output_for(make_targets(labels_of(wanted, stages=stages, ignored=ignored), INPUT_SIDE_PX))
