"""First figures of a network: single pictures of phantoms that were not trained on."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
import torch
from torch import Tensor

from models.decode import decode
from models.matching import match, on_ignored
from models.network import EggNetwork
from models.targets import Labels

__all__ = ["HeldOutFigures", "measure"]

MINIMUM_SCORE = 0.3
SAME_OBJECT_OVERLAP = 0.5


@dataclass(frozen=True)
class HeldOutFigures:
    """Over all pictures. A match is an overlap (intersection over union) of at least 0.5, one to one.

    recall_*, precision_* : shares, for shelled objects, for follicles
    stage_right : share of matched objects;  overlap_median : of matched shelled objects
    axis_error_median : relative error of the mean semi-axis of matched shelled objects
    """

    pictures: int
    recall_shelled: float
    precision_shelled: float
    recall_follicle: float
    precision_follicle: float
    stage_right: float
    overlap_median: float
    axis_error_median: float


def measure(network: EggNetwork, pictures: Iterator[tuple[Tensor, Labels]], *, rounds: int) -> HeldOutFigures:
    """Figures over ``rounds`` batches; detections on ignored objects count neither way."""
    network.eval()
    number = 0
    truth, found, right = np.zeros(2), np.zeros(2), np.zeros(2)
    stages: list[bool] = []
    overlaps: list[float] = []
    axes: list[float] = []
    for _ in range(rounds):
        batch, labels = next(pictures)
        with torch.inference_mode():
            answers = network(batch).float().cpu().numpy()
        for index, answer in enumerate(answers):
            number += 1
            outlines = decode(answer, minimum_score=MINIMUM_SCORE, maximum_overlap=SAME_OBJECT_OVERLAP)
            role = labels.role[index].cpu().numpy()
            rows = labels.ellipses[index].double().cpu().numpy()
            stage = labels.stage[index].cpu().numpy()
            wanted, wanted_stage = rows[role == 1], stage[role == 1]
            guess = outlines.stage_probabilities.argmax(axis=1)
            i, j, same = match(outlines.ellipses, wanted, minimum_overlap=SAME_OBJECT_OVERLAP)
            ignored = on_ignored(outlines.ellipses, rows[role == -1])
            ignored[i] = False
            for side, is_side in ((0, wanted_stage > 0), (1, wanted_stage == 0)):
                truth[side] += is_side.sum()
            shelled_guess = guess > 0
            found += [(shelled_guess & ~ignored).sum(), (~shelled_guess & ~ignored).sum()]
            agree = (guess[i] > 0) == (wanted_stage[j] > 0)
            right += [(agree & (guess[i] > 0)).sum(), (agree & (guess[i] == 0)).sum()]
            stages += (guess[i] == wanted_stage[j]).tolist()
            shelled = wanted_stage[j] > 0
            overlaps += same[shelled].tolist()
            a, b = outlines.ellipses[i][shelled, 2:4].mean(1), wanted[j][shelled, 2:4].mean(1)
            axes += np.abs(a / b - 1).tolist()

    def share(part: float, whole: float) -> float:
        return float(part / whole) if whole else float("nan")

    return HeldOutFigures(
        pictures=number,
        recall_shelled=share(right[0], truth[0]),
        precision_shelled=share(right[0], found[0]),
        recall_follicle=share(right[1], truth[1]),
        precision_follicle=share(right[1], found[1]),
        stage_right=float(np.mean(stages)) if stages else float("nan"),
        overlap_median=float(np.median(overlaps)) if overlaps else float("nan"),
        axis_error_median=float(np.median(axes)) if axes else float("nan"),
    )
