"""Metrics of the detections in single frames: average precision, recall, precision, stages and outline errors.

They are given for all objects of a class, and by strata such as size, visibility, depth, species and exam.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import asdict, dataclass, replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from models.average_precision import (
    COCO_AREA_RANGES,
    AveragePrecision,
    CocoEvaluator,
    DetectedBoxes,
    PrecisionRecallCurve,
    TrueBoxes,
)
from models.evaluation_thresholds import MIN_CONTRAST_SNR
from models.stages import STAGES
from pipeline.bench.detection_matching import (
    Matches,
    OutlineErrorStatistics,
    match_detections,
    value_of_nearest_object,
)
from pipeline.bench.exported_detections import UNSTATED_STAGE, ExportedDetections
from pipeline.bench.false_positives import (
    FalsePositives,
    false_positives_in_egg_free_clips,
    false_positives_in_egg_free_frames,
)
from pipeline.bench.ground_truth import DataSet
from pipeline.bench.outline_uncertainty import OutlineUncertainty, outline_uncertainty
from pipeline.bench.strata import frame_strata, in_range, object_strata

__all__ = ["CLASSES", "ClassMetrics", "DetectionMetrics", "Stratum", "detection_metrics"]

Mask = NDArray[np.bool_]

_FOLLICLE, _THIN_SHELLED, _CALCIFIED = range(len(STAGES))
# The classes that are measured, and the stages that each contains, as indices of STAGES. Those that contain all shelled
# stages also contain detections whose stage is not stated.
CLASSES = {
    "shelled": (_THIN_SHELLED, _CALCIFIED, UNSTATED_STAGE),
    "calcified": (_CALCIFIED,),
    "thin-shelled": (_THIN_SHELLED,),
    "follicle": (_FOLLICLE,),
    "any": (_FOLLICLE, _THIN_SHELLED, _CALCIFIED, UNSTATED_STAGE),
}
_STRATIFIED = ("shelled", "follicle")


@dataclass(frozen=True)
class ClassMetrics:
    """Metrics of the objects of one class. Ignored objects are left out; None where there is nothing to measure.

    true_objects : number of objects
    ap50, ap50_95 : COCO's average precision on boxes, at an overlap of 0.5 and over 0.5 to 0.95
    recall, precision : of detections with a score of at least ``SCORE_THRESHOLD`` whose outlines overlap by at least
    ``MIN_OUTLINE_IOU`` (`models.evaluation_thresholds`). Precision is None for strata by visibility and depth, because
    a false detection has neither.
    stage_accuracy : share of the matched objects with a stated stage whose stage is right, over all detected stages
    errors_mm, errors_px : of the matched objects, in clips with and without a known scale
    """

    true_objects: int
    ap50: float | None
    ap50_95: float | None
    recall: float | None
    precision: float | None
    stage_accuracy: float | None
    errors_mm: OutlineErrorStatistics
    errors_px: OutlineErrorStatistics


@dataclass(frozen=True)
class Stratum:
    """The metrics of one stratum. kind : "size", "visible", "depth", "species" or "exam";  name : within its kind"""

    kind: str
    name: str
    shelled: ClassMetrics
    follicle: ClassMetrics


@dataclass(frozen=True)
class DetectionMetrics:
    """The metrics of all detections of a data set.

    classes : by name, as in CLASSES;  curves : precision and recall, by the same names
    confusion : (4, 4) numbers of objects, in the order of STAGES; rows are true stages, columns detected ones. The last
    row contains detections where no object is, the last column objects that were not found. Detections whose stage is
    not stated are left out.
    distinct_follicles : of follicles that stand out, with a signal-to-noise ratio of at least ``MIN_CONTRAST_SNR``; the
    others are ignored. None where no ratio is known.
    highest_wrong_stage_probability : stated for a matched detection whose stage is wrong; None without one
    egg_free_clips, egg_free_frames : false shelled detections in clips and in frames that show no shelled egg
    """

    classes: dict[str, ClassMetrics]
    curves: dict[str, PrecisionRecallCurve]
    strata: tuple[Stratum, ...]
    distinct_follicles: ClassMetrics | None
    confusion: NDArray[np.int64]
    highest_wrong_stage_probability: float | None
    outline_uncertainty: OutlineUncertainty
    egg_free_clips: FalsePositives
    egg_free_frames: FalsePositives

    def document(self) -> dict[str, Any]:
        """All metrics in types of JSON."""
        return {
            **asdict(self),
            "curves": {
                name: {"precision": curve.precision.round(6).tolist(), "score": curve.score.round(6).tolist()}
                for name, curve in self.curves.items()
            },
            "confusion": {
                "true": [*STAGES, "nothing"],
                "detected": [*STAGES, "not found"],
                "objects": self.confusion.tolist(),
            },
        }


def detection_metrics(
    data_set: DataSet, found: ExportedDetections, matches: Matches, snr: NDArray[np.float64]
) -> DetectionMetrics:
    """The metrics of ``found``.

    matches : of its detections with the objects of the data set
    snr : (N,) of the true follicles, see `pipeline.bench.follicle_contrast`
    """
    evaluator = _Evaluator(data_set, found, matches)
    return DetectionMetrics(
        classes={name: evaluator.overall(name) for name in CLASSES},
        curves={name: each.curve() for name, each in evaluator.coco.items()},
        strata=tuple(evaluator.strata()),
        distinct_follicles=_distinct_follicles(data_set, found, snr),
        confusion=_confusion(data_set, found, matches),
        highest_wrong_stage_probability=_highest_wrong_stage_probability(data_set, found, matches),
        outline_uncertainty=outline_uncertainty(matches, data_set.objects, found),
        egg_free_clips=false_positives_in_egg_free_clips(data_set.objects, found, data_set.frames),
        egg_free_frames=false_positives_in_egg_free_frames(data_set.objects, found, data_set.frames),
    )


class _Evaluator:
    """The objects and detections of one data set, from which the metrics of classes and strata are computed."""

    def __init__(self, data_set: DataSet, found: ExportedDetections, matches: Matches) -> None:
        self.truth, self.found, self.frames = data_set.objects, found, data_set.frames
        self.matches = matches
        self._true = {name: np.isin(self.truth.stage, stages) for name, stages in CLASSES.items()}
        self._detected = {name: np.isin(found.stage, stages) for name, stages in CLASSES.items()}
        self.coco = {name: self._coco_evaluator(self._true[name], self._detected[name]) for name in CLASSES}
        self._scale = self.frames.mm_per_px[self.truth.frame]  # (N,)

    def _coco_evaluator(self, true: Mask, detected: Mask) -> CocoEvaluator:
        truth, found = self.truth, self.found
        return CocoEvaluator(
            TrueBoxes(truth.frame[true], truth.boxes[true], truth.areas[true], truth.ignored[true]),
            DetectedBoxes(found.frame[detected], found.boxes[detected], found.scores[detected]),
            pictures=len(self.frames.ids),
        )

    def overall(self, name: str) -> ClassMetrics:
        all_frames = np.ones(len(self.frames.ids), dtype=bool)
        return self._of_frames(name, self.coco[name].overall(), all_frames)

    def strata(self) -> Iterator[Stratum]:
        sizes = {name: self.coco[name].by_size() for name in _STRATIFIED}
        for size, (low, high) in COCO_AREA_RANGES.items():
            inside = (self.truth.areas >= low) & (self.truth.areas <= high)
            yield self._stratum("size", size, inside, {name: each[size] for name, each in sizes.items()})
        for kind in object_strata(self.truth):
            of_found = value_of_nearest_object(self.truth, self.found, kind.value)
            ranges = list(kind.ranges.values())
            precisions = {
                name: self.coco[name].by_range(kind.value[self._true[name]], of_found[self._detected[name]], ranges)
                for name in _STRATIFIED
            }
            for index, (name, limits) in enumerate(kind.ranges.items()):
                inside = in_range(kind.value, limits)
                yield self._stratum(kind.kind, name, inside, {each: rows[index] for each, rows in precisions.items()})
        for group, name, chosen in frame_strata(self.frames):
            yield Stratum(
                group,
                name,
                *(self._of_frames(each, self.coco[each].on_pictures(chosen), chosen) for each in _STRATIFIED),
            )

    def _stratum(self, kind: str, name: str, inside: Mask, precisions: dict[str, AveragePrecision]) -> Stratum:
        return Stratum(kind, name, *(self._class_metrics(each, precisions[each], inside) for each in _STRATIFIED))

    def _of_frames(self, name: str, precision: AveragePrecision, chosen: Mask) -> ClassMetrics:
        """chosen : (F,) frames of the stratum"""
        return self._class_metrics(
            name, precision, chosen[self.truth.frame], chosen[self.found.frame] & self.matches.is_evaluated
        )

    def _class_metrics(
        self, name: str, precision: AveragePrecision, inside: Mask, evaluated: Mask | None = None
    ) -> ClassMetrics:
        """inside : (N,) objects of the stratum;  evaluated : (D,) detections that are right or wrong in it, None if
        unknown
        """
        wanted = inside & ~self.truth.ignored & self._true[name]
        detected = self._detected[name]
        pairs, rows = wanted[self.matches.object_rows], self.matches.detection_rows
        right = int((pairs & detected[rows]).sum())
        stated = pairs & (self.found.stage[rows] != UNSTATED_STAGE)
        same_stage = self.found.stage[rows] == self.truth.stage[self.matches.object_rows]
        scale = self._scale[self.matches.object_rows]
        has_scale = ~np.isnan(scale)
        return ClassMetrics(
            true_objects=int(wanted.sum()),
            ap50=_none_if_nan(precision.ap50),
            ap50_95=_none_if_nan(precision.mean),
            recall=_share(right, int(wanted.sum())),
            precision=None if evaluated is None else _share(right, int((evaluated & detected).sum())),
            stage_accuracy=_share(int((stated & same_stage).sum()), int(stated.sum())),
            errors_mm=self.matches.errors(pairs & has_scale, scale),
            errors_px=self.matches.errors(pairs & ~has_scale, np.ones_like(scale)),
        )


def _distinct_follicles(data_set: DataSet, found: ExportedDetections, snr: NDArray[np.float64]) -> ClassMetrics | None:
    if np.isnan(snr).all():
        return None
    truth = data_set.objects
    is_faint = ~truth.is_shelled & ~(snr >= MIN_CONTRAST_SNR)
    without_faint = replace(data_set, objects=replace(truth, ignored=truth.ignored | is_faint))
    return _Evaluator(without_faint, found, match_detections(without_faint.objects, found)).overall("follicle")


def _highest_wrong_stage_probability(data_set: DataSet, found: ExportedDetections, matches: Matches) -> float | None:
    is_wrong = found.stage[matches.detection_rows] != data_set.objects.stage[matches.object_rows]
    stated = found.stage_probability[matches.detection_rows[is_wrong]]
    known = stated[~np.isnan(stated)]
    return float(known.max()) if len(known) else None


def _confusion(data_set: DataSet, found: ExportedDetections, matches: Matches) -> NDArray[np.int64]:
    truth, last = data_set.objects, len(STAGES)
    result = np.zeros((last + 1, last + 1), dtype=np.int64)
    stated = found.stage != UNSTATED_STAGE
    pairs = stated[matches.detection_rows]
    np.add.at(result, (truth.stage[matches.object_rows[pairs]], found.stage[matches.detection_rows[pairs]]), 1)
    missed, false = ~truth.ignored, matches.is_evaluated & stated
    missed[matches.object_rows], false[matches.detection_rows] = False, False
    result[:last, last] = np.bincount(truth.stage[missed], minlength=last)
    result[last, :last] = np.bincount(found.stage[false], minlength=last)
    return result


def _share(part: int, whole: int) -> float | None:
    return part / whole if whole else None


def _none_if_nan(value: float) -> float | None:
    return None if np.isnan(value) else value
