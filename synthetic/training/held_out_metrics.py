"""Metrics of a network on single pictures that it was not trained on."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import asdict, dataclass, fields
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
from models.targets import Labels, Role
from synthetic.training.strata import MIN_VISIBLE, ObjectTable, StratumMetrics, metrics_by_stratum, ratio

__all__ = ["HeldOutMetrics", "measure"]

# Average precision uses detections from this score on; all other metrics use those from SCORE_THRESHOLD on.
MIN_AP_SCORE = 0.05
SAME_OBJECT_OVERLAP = 0.5  # intersection over union from which two detections are one object; common practice

Floats = NDArray[np.float64]


@dataclass(frozen=True)
class HeldOutMetrics:
    """Metrics over all pictures. Objects with less than half of their outline visible are ignored.

    ap50_*, ap_* : COCO average precision at an overlap of 0.5, and over 0.50 to 0.95, of shelled objects, of follicles
    recall_*, precision_* : of detections with a score of at least SCORE_THRESHOLD (`models.evaluation_thresholds`)
    strata : all; by stage; shelled and follicle by size in px (semi-axis) and by the visible share of the outline
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
        """For people: the score threshold, one metric per line, and one stratum per line with its main metrics."""
        threshold = f"score of at least {SCORE_THRESHOLD:g} for all metrics but average precision (ap)"
        overall = [f"{name} {value:.4g}" for name, value in vars(self).items() if name != "strata"]
        return [threshold, *overall] + [
            f"{name}: {each.objects} objects, found {each.found:.3f}, stage right {each.stage_right:.3f}, "
            f"overlap {each.overlap:.3f}, centre {each.centre_error_mm:.2f} mm, axes {each.axis_error_mm:.2f} mm, "
            f"errors within the predicted ones {each.centre_coverage:.2f} and {each.axis_coverage:.2f}"
            for name, each in self.strata.items()
        ]


def measure(network: EggNetwork, pictures: Iterable[tuple[Tensor, Labels]]) -> HeldOutMetrics:
    """Metrics of the network over batches of pictures."""
    network.eval()
    collector = _Collector()
    for batch, labels in pictures:
        with torch.inference_mode():
            outputs = network(batch).float().cpu().numpy()
        truth = [getattr(labels, field.name).cpu().numpy() for field in fields(Labels)]
        for output, *truth_of_picture in zip(outputs, *truth, strict=True):
            outlines = decode(output, minimum_score=MIN_AP_SCORE, maximum_overlap=SAME_OBJECT_OVERLAP)
            collector.add(outlines, _Truth(*truth_of_picture))
    return collector.metrics()


@dataclass(frozen=True)
class _Truth:
    """The labels of one picture: the fields of models.targets.Labels without the first axis."""

    ellipses: NDArray[np.float32]
    stage: NDArray[np.int64]
    role: NDArray[np.int64]
    visible: NDArray[np.float32]
    mm_per_px: NDArray[np.float32]


class _KindCollector:
    """True and detected objects of one kind, shelled or follicle, picture by picture."""

    def __init__(self) -> None:
        self.truths: list[PictureTruth] = []
        self.detections: list[PictureDetections] = []
        self.true = self.found = self.right = 0  # objects, detections and matches with a score from SCORE_THRESHOLD on

    def average_precision(self) -> AveragePrecision:
        return average_precision(self.truths, self.detections)


class _Collector:
    """Detections and true objects, picture by picture."""

    def __init__(self) -> None:
        self._pictures = 0
        self._shelled, self._follicles = _KindCollector(), _KindCollector()
        self._tables: list[ObjectTable] = []

    def add(self, outlines: Outlines, truth: _Truth) -> None:
        self._pictures += 1
        is_object = truth.role != Role.EMPTY
        ellipses, true_shelled = truth.ellipses[is_object].astype(np.float64), truth.stage[is_object] > 0
        counts = (truth.role[is_object] == Role.TARGET) & (truth.visible[is_object] >= MIN_VISIBLE)
        stage = outlines.stage_probabilities.argmax(axis=1)
        for kind, found, true in (
            (self._shelled, stage > 0, true_shelled),
            (self._follicles, stage == 0, ~true_shelled),
        ):
            kind.detections.append(PictureDetections(outlines.ellipses[found], outlines.scores[found]))
            kind.truths.append(PictureTruth(ellipses[true], ~counts[true]))
        is_confident = outlines.scores >= SCORE_THRESHOLD
        confident = outlines.ellipses[is_confident], stage[is_confident] > 0
        self._count(*confident, ellipses[counts], true_shelled[counts], ellipses[~counts])
        self._tables.append(_compare(outlines, is_confident, stage, truth))

    def _count(
        self,
        found: Floats,
        found_shelled: NDArray[np.bool_],
        true: Floats,
        true_shelled: NDArray[np.bool_],
        ignored: Floats,
    ) -> None:
        i, j, _ = match(found, true, minimum_overlap=MIN_OUTLINE_IOU)
        is_ignored = overlaps_ignored(found, ignored)
        is_ignored[i] = False
        is_right = found_shelled[i] == true_shelled[j]
        for kind, has_shell in ((self._shelled, True), (self._follicles, False)):
            kind.true += int((true_shelled == has_shell).sum())
            kind.found += int(((found_shelled == has_shell) & ~is_ignored).sum())
            kind.right += int((is_right & (found_shelled[i] == has_shell)).sum())

    def metrics(self) -> HeldOutMetrics:
        shelled, follicles = self._shelled, self._follicles
        shelled_ap, follicle_ap = shelled.average_precision(), follicles.average_precision()
        return HeldOutMetrics(
            pictures=self._pictures,
            ap50_shelled=shelled_ap.ap50,
            ap_shelled=shelled_ap.mean,
            ap50_follicle=follicle_ap.ap50,
            ap_follicle=follicle_ap.mean,
            recall_shelled=ratio(shelled.right, shelled.true),
            precision_shelled=ratio(shelled.right, shelled.found),
            recall_follicle=ratio(follicles.right, follicles.true),
            precision_follicle=ratio(follicles.right, follicles.found),
            strata=metrics_by_stratum(ObjectTable.concatenated(self._tables)),
        )


def _compare(
    outlines: Outlines, is_confident: NDArray[np.bool_], stage: NDArray[np.int64], truth: _Truth
) -> ObjectTable:
    """A row for every target of one picture. stage : (N,) of the outlines"""
    is_target = truth.role == Role.TARGET
    true, true_stage = truth.ellipses[is_target].astype(np.float64), truth.stage[is_target]
    i, j, overlaps = match(outlines.ellipses[is_confident], true, minimum_overlap=MIN_OUTLINE_IOU)
    found = outlines.ellipses[is_confident][i]
    shift, axes_error = np.abs(found[:, :2] - true[j, :2]), np.abs(found[:, 2:4] - true[j, 2:4])
    log_error = np.abs(np.log(found[:, 2:4] / true[j, 2:4]))
    centre_uncertainty = outlines.centre_uncertainty_px[is_confident][i]
    axis_uncertainty = outlines.axis_uncertainty[is_confident][i]
    mm = float(truth.mm_per_px)
    is_found = np.zeros(len(true))
    is_found[j] = 1.0

    def column(values: NDArray[Any]) -> Floats:
        """(T,) values of the matched targets, NaN for the others."""
        result = np.full(len(true), np.nan)
        result[j] = values
        return result

    return ObjectTable(
        stage=true_stage.astype(np.float64),
        size_px=np.sqrt(true[:, 2] * true[:, 3]),
        visible=truth.visible[is_target].astype(np.float64),
        found=is_found,
        stage_right=column(stage[is_confident][i] == true_stage[j]),
        overlap=column(overlaps),
        centre_mm=column(np.hypot(*shift.T) * mm),
        axis_mm=column(2 * axes_error.mean(1) * mm),
        axis=column((axes_error / true[j, 2:4]).mean(1)),
        centre_px=column(shift.mean(1)),
        centre_uncertainty=column(centre_uncertainty),
        centre_coverage=column((shift <= centre_uncertainty[:, None]).mean(1)),
        log_axis=column(log_error.mean(1)),
        axis_uncertainty=column(axis_uncertainty),
        axis_coverage=column((log_error <= axis_uncertainty[:, None]).mean(1)),
    )
