"""Average precision as in the COCO challenge, on axis-aligned boxes, by pycocotools, the reference implementation.

Strata work as sizes do in COCO: an object outside the stratum is neither rewarded nor punished. The same holds for a
detection that matches such an object, and for an unmatched detection outside the stratum. Sizes are those of COCO
(areas up to 32 x 32 px, up to 96 x 96 px, and larger); other strata replace the area by another value.
"""

from __future__ import annotations

import contextlib
import io
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from models import ellipse

__all__ = [
    "COCO_AREA_RANGES",
    "AveragePrecision",
    "CocoEvaluator",
    "DetectedBoxes",
    "DetectionOutcomes",
    "PictureDetections",
    "PictureTruth",
    "PrecisionRecallCurve",
    "TrueBoxes",
    "average_precision",
]

Floats = NDArray[np.float64]
Range = tuple[float, float]

COCO_AREA_RANGES: dict[str, Range] = {"small": (0.0, 32.0**2), "medium": (32.0**2, 96.0**2), "large": (96.0**2, 1e5**2)}
_EVERYTHING: Range = (-np.inf, np.inf)
_COCO_OVERLAPS = np.linspace(0.5, 0.95, 10)
# As in COCO. decode() gives at most 60 detections per picture, so that none is left out.
_MAX_DETECTIONS_PER_PICTURE = 100


@dataclass(frozen=True)
class PictureTruth:
    """The true objects of one picture. ellipses : (M, 5) px;  ignored : (M,) bool, neither rewarded nor punished"""

    ellipses: Floats
    ignored: NDArray[np.bool_]


@dataclass(frozen=True)
class PictureDetections:
    """The detections in one picture. ellipses : (N, 5) px;  scores : (N,)"""

    ellipses: Floats
    scores: Floats


@dataclass(frozen=True)
class DetectionOutcomes:
    """What became of D detections in P pictures at COCO's ten overlaps, 0.5, 0.55, ... 0.95.

    picture : (D,) int64, from 0;  scores : (D,)
    matched, ignored : (10, D) bool, a detection is right, wrong, or, where it is ignored, neither
    true_objects : (P,) int64, without ignored ones
    """

    picture: NDArray[np.int64]
    scores: Floats
    matched: NDArray[np.bool_]
    ignored: NDArray[np.bool_]
    true_objects: NDArray[np.int64]


@dataclass(frozen=True)
class TrueBoxes:
    """The true objects of many pictures. picture : (N,) int64, from 0;  boxes : (N, 4) px, left, top, width, height;
    areas : (N,) px^2, of the objects;  ignored : (N,) bool, neither rewarded nor punished
    """

    picture: NDArray[np.int64]
    boxes: Floats
    areas: Floats
    ignored: NDArray[np.bool_]


@dataclass(frozen=True)
class DetectedBoxes:
    """The detections in many pictures. picture : (D,) int64, from 0;  boxes : (D, 4) px;  scores : (D,)"""

    picture: NDArray[np.int64]
    boxes: Floats
    scores: Floats


@dataclass(frozen=True)
class AveragePrecision:
    """ap50 : at an overlap of 0.5;  mean : over overlaps 0.50, 0.55 ... 0.95. NaN if there are no objects to find
    (-1 in COCO).
    """

    ap50: float
    mean: float


@dataclass(frozen=True)
class PrecisionRecallCurve:
    """At an overlap of 0.5: precision (101,) at recalls 0, 0.01 ... 1, and the score threshold (101,) at which each
    recall is reached; -1 if there are no objects to find.
    """

    precision: Floats
    score: Floats


def average_precision(true: Sequence[PictureTruth], found: Sequence[PictureDetections]) -> AveragePrecision:
    """Average precision over P pictures, (P,) each, for one kind of objects."""
    true_ellipses = np.concatenate([np.zeros((0, 5)), *(each.ellipses for each in true)])
    found_ellipses = np.concatenate([np.zeros((0, 5)), *(each.ellipses for each in found)])
    boxes = ellipse.bounding_boxes(true_ellipses)
    return CocoEvaluator(
        TrueBoxes(
            np.repeat(np.arange(len(true)), [len(each.ellipses) for each in true]),
            boxes,
            boxes[:, 2:].prod(axis=1),
            np.concatenate([np.zeros(0, bool), *(each.ignored for each in true)]),
        ),
        DetectedBoxes(
            np.repeat(np.arange(len(found)), [len(each.ellipses) for each in found]),
            ellipse.bounding_boxes(found_ellipses),
            np.concatenate([np.zeros(0), *(each.scores for each in found)]),
        ),
        pictures=len(true),
    ).overall()


class CocoEvaluator:
    """Average precision of true and detected objects of one kind, over a number of pictures."""

    def __init__(self, true: TrueBoxes, found: DetectedBoxes, *, pictures: int) -> None:
        self._true, self._found, self._pictures = true, found, pictures
        self._cached_evaluation: Any = None

    def overall(self) -> AveragePrecision:
        return _read(self._unstratified(), 0)

    def curve(self) -> PrecisionRecallCurve:
        result = self._unstratified().eval
        return PrecisionRecallCurve(result["precision"][0, :, 0, 0, 0], result["scores"][0, :, 0, 0, 0])

    def outcomes(self) -> DetectionOutcomes:
        """What became of each detection at each overlap, from which average precision follows."""
        return _outcomes(self._unstratified().evalImgs)

    def outcomes_by_range(
        self, true_value: Floats, found_value: Floats, ranges: Sequence[Range]
    ) -> list[DetectionOutcomes]:
        """The same in each range [low, high) of a value, as `by_range`."""
        pictures = self._evaluated(_none_outside(true_value), found_value, _half_open(ranges)).evalImgs
        return [_outcomes(pictures[row * self._pictures : (row + 1) * self._pictures]) for row in range(len(ranges))]

    def by_size(self) -> dict[str, AveragePrecision]:
        """By the sizes of COCO."""
        values = self._by_range(
            self._true.areas, self._found.boxes[:, 2:].prod(axis=1), list(COCO_AREA_RANGES.values())
        )
        return dict(zip(COCO_AREA_RANGES, values, strict=True))

    def by_range(self, true_value: Floats, found_value: Floats, ranges: Sequence[Range]) -> list[AveragePrecision]:
        """By ranges [low, high) of a value of the objects (N,) and of the detections (D,).

        An object whose value is NaN lies in no range; a detection whose value is NaN counts in every range.
        """
        return self._by_range(_none_outside(true_value), found_value, _half_open(ranges))

    def on_pictures(self, pictures: NDArray[np.bool_]) -> AveragePrecision:
        """Over the selected pictures (P,) only."""
        all_pictures, chosen = self._unstratified(), np.flatnonzero(pictures)
        evaluator = _new_evaluator(all_pictures.cocoGt, all_pictures.cocoDt, [_EVERYTHING])
        evaluator.params.imgIds = (chosen + 1).tolist()
        # evalImgs has one entry per picture, in order, since there is one category and one range.
        evaluator.evalImgs, evaluator._paramsEval = [all_pictures.evalImgs[index] for index in chosen], evaluator.params
        return _read(_accumulated(evaluator), 0)

    def _unstratified(self) -> Any:
        if self._cached_evaluation is None:
            areas = np.zeros(len(self._true.boxes)), np.zeros(len(self._found.boxes))  # all within the range
            self._cached_evaluation = self._evaluated(*areas, [_EVERYTHING])
        return self._cached_evaluation

    def _by_range(self, true_value: Floats, found_value: Floats, ranges: Sequence[Range]) -> list[AveragePrecision]:
        evaluation = self._evaluated(true_value, found_value, ranges)
        return [_read(evaluation, index) for index in range(len(ranges))]

    def _evaluated(self, true_value: Floats, found_value: Floats, ranges: Sequence[Range]) -> Any:
        true, found = self._true, self._found
        truth = {"picture": true.picture, "bbox": true.boxes, "area": true_value, "iscrowd": true.ignored.astype(int)}
        crowd = np.zeros(len(found.boxes), int)
        detections = {"picture": found.picture, "bbox": found.boxes, "area": found_value, "iscrowd": crowd}
        evaluator = _new_evaluator(self._coco(truth), self._coco({**detections, "score": found.scores}), ranges)
        with contextlib.redirect_stdout(io.StringIO()):  # it prints while it works
            evaluator.evaluate()
        return _accumulated(evaluator)

    def _coco(self, columns: dict[str, NDArray[Any]]) -> Any:
        # Imported here since it loads plotting libraries if they are installed.
        from pycocotools.coco import COCO

        names = ["image_id" if name == "picture" else name for name in columns]
        rows = zip(*(values.tolist() for values in columns.values()), strict=True)
        coco: Any = COCO()
        coco.dataset = {
            "images": [{"id": picture + 1} for picture in range(self._pictures)],
            "categories": [{"id": 1}],
            # pycocotools takes an id of 0 for "no match".
            "annotations": [
                {**dict(zip(names, row, strict=True)), "image_id": row[0] + 1, "id": number, "category_id": 1}
                for number, row in enumerate(rows, 1)
            ],
        }
        with contextlib.redirect_stdout(io.StringIO()):
            coco.createIndex()
        return coco


def _none_outside(true_value: Floats) -> Floats:
    """Objects without a value lie in no range."""
    return np.where(np.isnan(true_value), -np.inf, true_value)


def _half_open(ranges: Sequence[Range]) -> list[Range]:
    """The ranges of COCO include both their ends; these leave out the higher one."""
    return [(low, float(np.nextafter(high, -np.inf))) for low, high in ranges]


def _outcomes(of_pictures: Sequence[Any]) -> DetectionOutcomes:
    """of_pictures : as pycocotools evaluates each picture, None for one with neither object nor detection"""
    each_picture = [(picture, each) for picture, each in enumerate(of_pictures) if each]
    true = np.zeros(len(of_pictures), dtype=np.int64)
    for picture, each in each_picture:
        true[picture] = int((np.asarray(each["gtIgnore"]) == 0).sum())

    def columns(key: str) -> NDArray[np.bool_]:
        empty = np.zeros((len(_COCO_OVERLAPS), 0), dtype=bool)
        return np.concatenate([empty, *(np.asarray(each[key]) > 0 for _, each in each_picture)], axis=1)

    return DetectionOutcomes(
        picture=np.repeat(
            np.array([picture for picture, _ in each_picture], dtype=np.int64),
            [len(each["dtScores"]) for _, each in each_picture],
        ),
        scores=np.concatenate([np.zeros(0), *(np.asarray(each["dtScores"], float) for _, each in each_picture)]),
        matched=columns("dtMatches"),
        ignored=columns("dtIgnore"),
        true_objects=true,
    )


def _new_evaluator(truth: Any, detections: Any, ranges: Sequence[Range]) -> Any:
    from pycocotools.cocoeval import COCOeval

    evaluator = COCOeval(truth, detections, "bbox")
    evaluator.params.areaRng = [list(each) for each in ranges]
    evaluator.params.areaRngLbl = [str(index) for index in range(len(ranges))]
    evaluator.params.maxDets = [_MAX_DETECTIONS_PER_PICTURE]
    return evaluator


def _accumulated(evaluator: Any) -> Any:
    with contextlib.redirect_stdout(io.StringIO()):
        evaluator.accumulate()
    return evaluator


def _read(evaluator: Any, index: int) -> AveragePrecision:
    precision = evaluator.eval["precision"][:, :, 0, index, 0]  # (10 overlaps, 101 recalls)
    if (precision < 0).all():
        return AveragePrecision(float("nan"), float("nan"))
    return AveragePrecision(float(precision[0].mean()), float(precision.mean()))
