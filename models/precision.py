"""Average precision as the COCO challenge measures it, by pycocotools, its authors' own program."""

from __future__ import annotations

import contextlib
import io
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from models import ellipse

__all__ = ["AveragePrecision", "Found", "Wanted", "average_precision"]


@dataclass(frozen=True)
class Wanted:
    """The true objects of one picture. ellipses : (M, 5) px;  ignored : (M,) bool, those that count neither way."""

    ellipses: NDArray[np.float64]
    ignored: NDArray[np.bool_]


@dataclass(frozen=True)
class Found:
    """What was found in one picture. ellipses : (N, 5) px;  scores : (N,)"""

    ellipses: NDArray[np.float64]
    scores: NDArray[np.float64]


@dataclass(frozen=True)
class AveragePrecision:
    """at_half : at an overlap of 0.5;  mean : over overlaps 0.50, 0.55 ... 0.95. NaN where nothing was to be found."""

    at_half: float
    mean: float


def average_precision(wanted: Sequence[Wanted], found: Sequence[Found]) -> AveragePrecision:
    """Average precision over pictures, (P,) each, of one kind of objects; overlaps are those of upright boxes."""
    # Imported here since it reads plotting libraries along.
    from pycocotools.coco import COCO
    from pycocotools.cocoeval import COCOeval

    boxes = [ellipse.bounding_boxes(each.ellipses) for each in wanted]
    annotations = [
        {
            "id": 0,
            "image_id": image,
            "category_id": 1,
            "bbox": box.tolist(),
            "area": float(box[2] * box[3]),
            "iscrowd": int(ignored),
        }
        for image, each in enumerate(wanted)
        for box, ignored in zip(boxes[image], each.ignored, strict=True)
    ]
    for number, annotation in enumerate(annotations, 1):  # 0 would count as no match
        annotation["id"] = number
    detections = [
        {"image_id": image, "category_id": 1, "bbox": box.tolist(), "score": float(score)}
        for image, each in enumerate(found)
        for box, score in zip(ellipse.bounding_boxes(each.ellipses), each.scores, strict=True)
    ]
    if all(annotation["iscrowd"] for annotation in annotations):
        return AveragePrecision(float("nan"), float("nan"))
    if not detections:
        return AveragePrecision(0.0, 0.0)
    truth: Any = COCO()
    truth.dataset = {
        "info": {},
        "images": [{"id": image} for image in range(len(wanted))],
        "categories": [{"id": 1}],
        "annotations": annotations,
    }
    with contextlib.redirect_stdout(io.StringIO()):  # it talks
        truth.createIndex()
        evaluation: Any = COCOeval(truth, truth.loadRes(detections), "bbox")
        evaluation.params.areaRng, evaluation.params.areaRngLbl = evaluation.params.areaRng[:1], ["all"]
        evaluation.params.maxDets = [100]
        evaluation.evaluate()
        evaluation.accumulate()
    precision = evaluation.eval["precision"][:, :, 0, 0, 0]  # (10 overlaps, 101 recalls)
    return AveragePrecision(float(precision[0].mean()), float(precision.mean()))
