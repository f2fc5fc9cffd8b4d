"""Average precision as the COCO challenge measures it, on upright boxes, by pycocotools, its authors' own program.

Strata follow the way in which COCO treats sizes: an object outside the stratum is neither rewarded nor punished, nor
is a detection that answers for it or, unmatched, lies outside the stratum itself. Sizes are COCO's own (areas up to
32 x 32 px, up to 96 x 96 px, and above); other strata put another value in the area's place.
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
# As in COCO. decode() gives at most 60 a picture, so that none is left out.
_MOST_A_PICTURE = 100


@dataclass(frozen=True)
class PictureTruth:
    """The true objects of one picture. ellipses : (M, 5) px;  ignored : (M,) bool, those that count neither way."""

    ellipses: Floats
    ignored: NDArray[np.bool_]


@dataclass(frozen=True)
class PictureDetections:
    """What was found in one picture. ellipses : (N, 5) px;  scores : (N,)"""

    ellipses: Floats
    scores: Floats


@dataclass(frozen=True)
class TrueBoxes:
    """The true objects of many pictures. picture : (N,) int64, from 0;  boxes : (N, 4) px, left, top, width, height;
    areas : (N,) px, of the objects;  ignored : (N,) bool, those that count neither way
    """

    picture: NDArray[np.int64]
    boxes: Floats
    areas: Floats
    ignored: NDArray[np.bool_]


@dataclass(frozen=True)
class DetectedBoxes:
    """What was found in many pictures. picture : (D,) int64, from 0;  boxes : (D, 4) px;  scores : (D,)"""

    picture: NDArray[np.int64]
    boxes: Floats
    scores: Floats


@dataclass(frozen=True)
class AveragePrecision:
    """ap50 : at an overlap of 0.5;  mean : over overlaps 0.50, 0.55 ... 0.95. NaN where nothing was to be found
    (COCO's -1).
    """

    ap50: float
    mean: float


@dataclass(frozen=True)
class PrecisionRecallCurve:
    """At an overlap of 0.5: precision (101,) at recalls 0, 0.01 ... 1, and score (101,), from which on each is
    reached; -1 where nothing was to be found.
    """

    precision: Floats
    score: Floats


def average_precision(wanted: Sequence[PictureTruth], found: Sequence[PictureDetections]) -> AveragePrecision:
    """Average precision over pictures, (P,) each, of one kind of objects."""
    true = np.concatenate([np.zeros((0, 5)), *(each.ellipses for each in wanted)])
    given = np.concatenate([np.zeros((0, 5)), *(each.ellipses for each in found)])
    boxes = ellipse.bounding_boxes(true)
    return CocoEvaluator(
        TrueBoxes(
            np.repeat(np.arange(len(wanted)), [len(each.ellipses) for each in wanted]),
            boxes,
            boxes[:, 2:].prod(axis=1),
            np.concatenate([np.zeros(0, bool), *(each.ignored for each in wanted)]),
        ),
        DetectedBoxes(
            np.repeat(np.arange(len(found)), [len(each.ellipses) for each in found]),
            ellipse.bounding_boxes(given),
            np.concatenate([np.zeros(0), *(each.scores for each in found)]),
        ),
        pictures=len(wanted),
    ).overall()


class CocoEvaluator:
    """Objects of one kind, true and found, over a number of pictures."""

    def __init__(self, true: TrueBoxes, found: DetectedBoxes, *, pictures: int) -> None:
        self._true, self._found, self._pictures = true, found, pictures
        self._whole: Any = None

    def overall(self) -> AveragePrecision:
        return _read(self._everything(), 0)

    def curve(self) -> PrecisionRecallCurve:
        result = self._everything().eval
        return PrecisionRecallCurve(result["precision"][0, :, 0, 0, 0], result["scores"][0, :, 0, 0, 0])

    def by_size(self) -> dict[str, AveragePrecision]:
        """By COCO's sizes."""
        judged = self._judged(self._true.areas, self._found.boxes[:, 2:].prod(axis=1), list(COCO_AREA_RANGES.values()))
        return dict(zip(COCO_AREA_RANGES, judged, strict=True))

    def by_range(self, true_value: Floats, found_value: Floats, ranges: Sequence[Range]) -> list[AveragePrecision]:
        """By ranges [low, high) of a value of the objects (N,) and of the detections (D,).

        NaN : of an object, that it lies in no range;  of a detection, that it has no value and counts in each
        """
        true_value = np.where(np.isnan(true_value), -np.inf, true_value)
        # COCO's ranges hold both their ends.
        half_open = [(low, float(np.nextafter(high, -np.inf))) for low, high in ranges]
        return self._judged(true_value, found_value, half_open)

    def on_pictures(self, pictures: NDArray[np.bool_]) -> AveragePrecision:
        """Of the marked pictures (P,) alone."""
        whole, chosen = self._everything(), np.flatnonzero(pictures)
        judge = _begun(whole.cocoGt, whole.cocoDt, [_EVERYTHING])
        judge.params.imgIds = (chosen + 1).tolist()
        # Each entry is one picture's, in their order, since there is one category and one range.
        judge.evalImgs, judge._paramsEval = [whole.evalImgs[index] for index in chosen], judge.params
        return _read(_accumulated(judge), 0)

    def _everything(self) -> Any:
        if self._whole is None:
            areas = np.zeros(len(self._true.boxes)), np.zeros(len(self._found.boxes))  # all of them within the range
            self._whole = self._evaluated(*areas, [_EVERYTHING])
        return self._whole

    def _judged(self, true_value: Floats, found_value: Floats, ranges: Sequence[Range]) -> list[AveragePrecision]:
        evaluation = self._evaluated(true_value, found_value, ranges)
        return [_read(evaluation, index) for index in range(len(ranges))]

    def _evaluated(self, true_value: Floats, found_value: Floats, ranges: Sequence[Range]) -> Any:
        true, found = self._true, self._found
        truth = {"picture": true.picture, "bbox": true.boxes, "area": true_value, "iscrowd": true.ignored.astype(int)}
        crowd = np.zeros(len(found.boxes), int)
        answers = {"picture": found.picture, "bbox": found.boxes, "area": found_value, "iscrowd": crowd}
        judge = _begun(self._coco(truth), self._coco({**answers, "score": found.scores}), ranges)
        with contextlib.redirect_stdout(io.StringIO()):  # it talks while it works
            judge.evaluate()
        return _accumulated(judge)

    def _coco(self, columns: dict[str, NDArray[Any]]) -> Any:
        # Imported here since it reads plotting libraries along where there are any.
        from pycocotools.coco import COCO

        names = ["image_id" if name == "picture" else name for name in columns]
        rows = zip(*(values.tolist() for values in columns.values()), strict=True)
        coco: Any = COCO()
        coco.dataset = {
            "images": [{"id": picture + 1} for picture in range(self._pictures)],
            "categories": [{"id": 1}],
            # An id of 0 would count as no match.
            "annotations": [
                {**dict(zip(names, row, strict=True)), "image_id": row[0] + 1, "id": number, "category_id": 1}
                for number, row in enumerate(rows, 1)
            ],
        }
        with contextlib.redirect_stdout(io.StringIO()):
            coco.createIndex()
        return coco


def _begun(truth: Any, answers: Any, ranges: Sequence[Range]) -> Any:
    from pycocotools.cocoeval import COCOeval

    judge = COCOeval(truth, answers, "bbox")
    judge.params.areaRng = [list(each) for each in ranges]
    judge.params.areaRngLbl = [str(index) for index in range(len(ranges))]
    judge.params.maxDets = [_MOST_A_PICTURE]
    return judge


def _accumulated(judge: Any) -> Any:
    with contextlib.redirect_stdout(io.StringIO()):
        judge.accumulate()
    return judge


def _read(judge: Any, index: int) -> AveragePrecision:
    precision = judge.eval["precision"][:, :, 0, index, 0]  # (10 overlaps, 101 recalls)
    if (precision < 0).all():
        return AveragePrecision(float("nan"), float("nan"))
    return AveragePrecision(float(precision[0].mean()), float(precision.mean()))
