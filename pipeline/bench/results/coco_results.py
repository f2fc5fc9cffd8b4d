"""COCO results: a JSON list of detections (https://cocodataset.org/#format-results).

Of a detection: ``image_id``, that of the image in the data set's ``coco.json``; ``score``, 0 to 1; and its outline: our
``ellipse``, or COCO's ``segmentation``, or only ``bbox``. Optional: ``category_id`` (of the data set: 1 follicle, 2
thin-shelled, 3 calcified; without one a detection counts as an egg whose stage is not stated) and ``track_id``, from 1,
the same for one object in all frames of its clip.
"""

from __future__ import annotations

import json
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any

import numpy as np

from models.ellipse import bounding_boxes, canonical
from models.stages import STAGES
from pipeline.bench.exported_detections import UNSTATED_STAGE, ExportedDetections, detection_table
from pipeline.bench.ground_truth import DataSet
from pipeline.bench.results.method_results import MethodResults, ResultsError
from pipeline.bench.results.outlines import ellipse_of_box, ellipse_of_segmentation

__all__ = ["checked_detection", "coco_results", "read_coco_results", "results_of_detections"]


def read_coco_results(data_set: DataSet, path: Path) -> MethodResults | None:
    """As `ResultsReader`: a ``.json`` file with a list, or a folder with one such file."""
    files = [path] if path.suffix == ".json" else sorted(path.glob("*.json")) if path.is_dir() else []
    lists = [file for file in files if _begins_with_list(file)]
    if not lists:
        return None
    if len(lists) > 1:
        names = ", ".join(file.name for file in lists)
        raise ResultsError(f"{path} holds several COCO results ({names}). Name one of the files.")
    try:
        detections = json.loads(lists[0].read_text(encoding="utf-8"))
    except ValueError as error:
        raise ResultsError(f"{lists[0]} cannot be read ({error}). Write it again as JSON.") from error
    return results_of_detections(data_set, detections, source=str(lists[0]))


def results_of_detections(data_set: DataSet, detections: Sequence[Mapping[str, Any]], *, source: str) -> MethodResults:
    """Detections as in a file of COCO results. source : what to call them in an error

    Raises ResultsError if one is not valid, or its image is not in the data set.
    """
    frame_of_image = {image: frame for frame, image in enumerate(data_set.frames.image_ids)}
    rows = []
    for number, detection in enumerate(detections, 1):
        try:
            rows.append((frame_of_image[detection["image_id"]], checked_detection(detection)))
        except (ValueError, KeyError, TypeError) as error:
            raise ResultsError(
                f"{source}: detection {number} cannot be used ({error!r}). It needs an image_id of the data set's "
                "coco.json, a score from 0 to 1, and an ellipse, a segmentation or a bbox."
            ) from error
    return MethodResults(
        found=detection_table(rows, frames_used=len(data_set.frames.ids)),
        has_tracks=any(row["track_id"] for _, row in rows),
    )


def coco_results(data_set: DataSet, found: ExportedDetections) -> list[dict[str, Any]]:
    """Detections as such a list. What it has no key for is left out."""
    columns = zip(
        found.frame.tolist(),
        found.ellipses.tolist(),
        found.boxes.tolist(),
        found.scores.tolist(),
        found.stage.tolist(),
        found.track.tolist(),
        strict=True,
    )
    return [
        {
            "image_id": data_set.frames.image_ids[frame],
            "ellipse": ellipse,
            "bbox": box,
            "score": score,
            "track_id": track,
            **({} if stage == UNSTATED_STAGE else {"category_id": stage + 1}),
        }
        for frame, ellipse, box, score, stage, track in columns
    ]


def checked_detection(detection: Mapping[str, Any]) -> dict[str, Any]:
    """The detection with ``ellipse``, ``bbox``, ``score`` and ``track_id`` (0 for none), and ``category_id`` if given.

    Raises ValueError, KeyError or TypeError if it is not valid.
    """
    if detection.get("ellipse") is not None:
        ellipse = canonical(detection["ellipse"])[0]
    elif detection.get("segmentation"):
        ellipse = ellipse_of_segmentation(detection["segmentation"])
    else:
        ellipse = ellipse_of_box(detection["bbox"])
    score, stage = float(detection["score"]), detection.get("category_id")
    if not (np.isfinite(ellipse).all() and (ellipse[2:4] > 0).all()):
        raise ValueError("an outline without an area")
    if not 0.0 <= score <= 1.0:
        raise ValueError(f"a score of {score:g}")
    if stage is not None and stage not in range(1, len(STAGES) + 1):
        raise ValueError(f"a category_id of {stage}")
    box = np.array(detection.get("bbox") or bounding_boxes(ellipse)[0], dtype=np.float64)
    if box.shape != (4,) or not (np.isfinite(box).all() and (box[2:] > 0).all()):
        raise ValueError("a bbox without an area")
    return {
        "ellipse": ellipse.tolist(),
        "bbox": box.tolist(),
        "score": score,
        "track_id": max(0, int(detection.get("track_id") or 0)),
        **({} if stage is None else {"category_id": int(stage)}),
    }


def _begins_with_list(file: Path) -> bool:
    if not file.is_file():
        return False
    with file.open("rb") as opened:
        return opened.read(64).lstrip().startswith(b"[")
