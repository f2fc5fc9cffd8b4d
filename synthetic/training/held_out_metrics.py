"""Figures of a network: single pictures of phantoms that were not trained on."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import asdict, dataclass
from typing import Any

import numpy as np
import torch
from numpy.typing import NDArray
from torch import Tensor

from models.average_precision import AveragePrecision, PictureDetections, PictureTruth, average_precision
from models.decode import Outlines, decode
from models.evaluation_thresholds import MIN_OUTLINE_IOU, SCORE_THRESHOLD
from models.network import EggNetwork
from models.outline_matching import match, overlaps_ignored
from models.targets import Labels
from synthetic.training.strata import COLUMNS, MIN_VISIBLE, StratumMetrics, metrics_by_stratum, ratio

__all__ = ["HeldOutMetrics", "measure"]

# Precision is averaged over detections from the fainter score on; everything else looks at those from the surer on.
MIN_AP_SCORE = 0.05


@dataclass(frozen=True)
class HeldOutMetrics:
    """Over all pictures; objects with less than half of their outline in sight count neither way.

    ap50_*, ap_* : COCO average precision at an overlap of 0.5, and over 0.50 to 0.95, for shelled objects, follicles
    recall_*, precision_* : of detections with a score of at least SCORE_THRESHOLD
    strata : all; by stage; shelled and follicle by size in px (semi-axis) and by the share of the outline in sight
    """

    pictures: int
    ap50_shelled: float
    ap_shelled: float
    ap50_follicle: float
    ap_follicle: float
    recall_shelled: float
    precision_shelled: float
    recall_follicle: float
    precision_follicle: float
    strata: dict[str, StratumMetrics]

    def document(self) -> dict[str, Any]:
        return asdict(self)

    def lines(self) -> list[str]:
        """For people: one figure a line, then one stratum a line with the most telling of its figures."""
        overall = [f"{name} {value:.4g}" for name, value in vars(self).items() if name != "strata"]
        return overall + [
            f"{name}: {each.objects} objects, found {each.found:.3f}, stage right {each.stage_right:.3f}, "
            f"overlap {each.overlap:.3f}, centre {each.centre_error_mm:.2f} mm, axes {each.axis_error_mm:.2f} mm, "
            f"errors within the stated ones {each.centre_coverage:.2f} and {each.axis_coverage:.2f}"
            for name, each in self.strata.items()
        ]


def measure(network: EggNetwork, pictures: Iterable[tuple[Tensor, Labels]]) -> HeldOutMetrics:
    """Figures over batches of pictures."""
    network.eval()
    tally = _Tally()
    for batch, labels in pictures:
        with torch.inference_mode():
            answers = network(batch).float().cpu().numpy()
        truth = {name: values.cpu().numpy() for name, values in vars(labels).items()}
        for index, answer in enumerate(answers):
            outlines = decode(answer, minimum_score=MIN_AP_SCORE, maximum_overlap=MIN_OUTLINE_IOU)
            tally.add(outlines, _Truth(*(truth[name][index] for name in vars(labels))))
    return tally.figures()


@dataclass(frozen=True)
class _Truth:
    """The labels of one picture, as models.targets.Labels without the first axis."""

    ellipses: NDArray[np.float32]
    stage: NDArray[np.int64]
    role: NDArray[np.int64]
    visible: NDArray[np.float32]
    mm_per_px: NDArray[np.float32]


class _Tally:
    """What was found and what was there, picture by picture."""

    def __init__(self) -> None:
        self._pictures = 0
        self._wanted: tuple[list[PictureTruth], list[PictureTruth]] = ([], [])  # shelled, follicles
        self._found: tuple[list[PictureDetections], list[PictureDetections]] = ([], [])
        self._numbers = np.zeros((2, 3))  # of both kinds: true, found, right
        self._rows: list[NDArray[np.float64]] = []

    def add(self, outlines: Outlines, truth: _Truth) -> None:
        self._pictures += 1
        there = truth.role != 0
        ellipses, stage = truth.ellipses[there].astype(np.float64), truth.stage[there]
        counts = (truth.role[there] == 1) & (truth.visible[there] >= MIN_VISIBLE)
        guess = outlines.stage_probabilities.argmax(axis=1)
        for kind, (found, true) in enumerate(((guess > 0, stage > 0), (guess == 0, stage == 0))):
            self._found[kind].append(PictureDetections(outlines.ellipses[found], outlines.scores[found]))
            self._wanted[kind].append(PictureTruth(ellipses[true], ~counts[true]))
        sure = outlines.scores >= SCORE_THRESHOLD
        self._count(outlines.ellipses[sure], guess[sure], ellipses, stage, counts)
        self._compare(outlines, sure, guess, truth)

    def _count(
        self,
        found: NDArray[np.float64],
        guess: NDArray[np.int64],
        ellipses: NDArray[np.float64],
        stage: NDArray[np.int64],
        counts: NDArray[np.bool_],
    ) -> None:
        i, j, _ = match(found, ellipses[counts], minimum_overlap=MIN_OUTLINE_IOU)
        neither = overlaps_ignored(found, ellipses[~counts])
        neither[i] = False
        agree = (guess[i] > 0) == (stage[counts][j] > 0)
        for kind, has_shell in enumerate((True, False)):
            self._numbers[kind] += (
                ((stage[counts] > 0) == has_shell).sum(),
                (((guess > 0) == has_shell) & ~neither).sum(),
                (agree & ((guess[i] > 0) == has_shell)).sum(),
            )

    def _compare(self, outlines: Outlines, sure: NDArray[np.bool_], guess: NDArray[np.int64], truth: _Truth) -> None:
        """One row for every object that is to be found, see COLUMNS."""
        wanted = truth.role == 1
        true, stage = truth.ellipses[wanted].astype(np.float64), truth.stage[wanted]
        rows = np.full((len(true), len(COLUMNS)), np.nan)
        rows[:, 0], rows[:, 1] = stage, np.sqrt(true[:, 2] * true[:, 3])
        rows[:, 2], rows[:, 3] = truth.visible[wanted], 0.0
        i, j, shared = match(outlines.ellipses[sure], true, minimum_overlap=MIN_OUTLINE_IOU)
        found = outlines.ellipses[sure][i]
        aside, longer = np.abs(found[:, :2] - true[j, :2]), np.abs(found[:, 2:4] - true[j, 2:4])
        log_error = np.abs(np.log(found[:, 2:4] / true[j, 2:4]))
        centre_uncertainty, axis_uncertainty = (
            outlines.centre_uncertainty_px[sure][i],
            outlines.axis_uncertainty[sure][i],
        )
        mm = float(truth.mm_per_px)
        rows[j, 3:] = np.stack(
            [
                np.ones(len(j)),
                guess[sure][i] == stage[j],
                shared,
                np.hypot(*aside.T) * mm,
                2 * longer.mean(1) * mm,
                (longer / true[j, 2:4]).mean(1),
                aside.mean(1),
                centre_uncertainty,
                (aside <= centre_uncertainty[:, None]).mean(1),
                log_error.mean(1),
                axis_uncertainty,
                (log_error <= axis_uncertainty[:, None]).mean(1),
            ],
            axis=1,
        )
        self._rows.append(rows)

    def figures(self) -> HeldOutMetrics:
        shelled, follicle = (average_precision(*each) for each in zip(self._wanted, self._found, strict=True))
        (true, found, right), (true_soft, found_soft, right_soft) = self._numbers.tolist()
        return HeldOutMetrics(
            pictures=self._pictures,
            **_precision("shelled", shelled),
            **_precision("follicle", follicle),
            recall_shelled=ratio(right, true),
            precision_shelled=ratio(right, found),
            recall_follicle=ratio(right_soft, true_soft),
            precision_follicle=ratio(right_soft, found_soft),
            strata=metrics_by_stratum(np.concatenate(self._rows)),
        )


def _precision(kind: str, value: AveragePrecision) -> dict[str, float]:
    return {f"ap50_{kind}": value.ap50, f"ap_{kind}": value.mean}
