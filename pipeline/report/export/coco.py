"""``detections.coco.json``: every detection of an exam, in COCO format with a few additional keys.

Of an image: ``clip`` and ``frame`` (from 0 in decoding order).

Of an annotation: ``category_id`` and ``score``, both those of the object over all its frames
(`pipeline.report.export.object_scores`); ``track_id`` (one for each counted object of a clip, however often the probe
left it and came back; null where nothing was counted); ``egg_id`` (the same, but one in all clips); ``ellipse`` [cx,
cy, semi-major, semi-minor, degrees]; ``frame_score`` and ``stage_probabilities`` [follicle, thin-shelled, calcified],
by the network in this frame alone; ``centre_spread_px`` and ``axis_spread``. The last two are the uncertainty that the
detector states, null if it states none: the expected absolute error of either coordinate of the centre (px), and of the
natural logarithm of either semi-axis (0.03 is 3 %).

All lengths are pixels of the source frame, with pixel centres at whole numbers. The outline is amodal (the whole
outline, also where it is hidden) and may leave the frame.
"""

from __future__ import annotations

import json
from collections.abc import Iterator, Sequence
from typing import Any

import numpy as np

from models.ellipse import area, bounding_boxes, outline
from pipeline.estimate.results import ExamFinding
from pipeline.exams.exam import Exam
from pipeline.report.export.object_scores import ObjectScores, object_scores
from pipeline.report.sightings import egg_id_by_track, sorted_scans
from pipeline.scan.clip_scan import ClipScan

__all__ = ["CATEGORIES", "detections_chunks", "detections_document"]

CATEGORIES = (
    {"id": 1, "name": "follicle"},
    {"id": 2, "name": "thin-shelled"},
    {"id": 3, "name": "calcified"},
)

ROWS_PER_CHUNK = 512  # detections converted at a time, so that memory does not grow with the clip


def detections_document(exam: Exam, finding: ExamFinding, scans: Sequence[ClipScan]) -> dict[str, Any]:
    """The whole document in memory. To write a file, use ``detections_chunks``, which does not hold it."""
    return {
        "images": list(_images(exam, scans)),
        "annotations": list(_annotations(finding, scans)),
        "categories": [dict(category) for category in CATEGORIES],
    }


def detections_chunks(exam: Exam, finding: ExamFinding, scans: Sequence[ClipScan]) -> Iterator[bytes]:
    """The document as UTF-8 JSON, one entry per line, in chunks of bounded size. Raises ValueError on NaN."""
    yield b'{"images": ['
    yield from _lines(_images(exam, scans))
    yield b'],\n"annotations": ['
    yield from _lines(_annotations(finding, scans))
    yield b'],\n"categories": ['
    yield from _lines(iter(CATEGORIES))
    yield b"]}\n"


def _images(exam: Exam, scans: Sequence[ClipScan]) -> Iterator[dict[str, Any]]:
    identity = 0
    for scan in sorted_scans(scans):
        for frame in scan.used_frames.tolist():
            identity += 1
            yield {
                "id": identity,
                "file_name": f"{exam.animal}/{exam.date.isoformat()}/{scan.file}#{frame}",
                "clip": scan.file,
                "frame": frame,
                "width": scan.width,
                "height": scan.height,
            }


def _annotations(finding: ExamFinding, scans: Sequence[ClipScan]) -> Iterator[dict[str, Any]]:
    eggs = egg_id_by_track(finding)
    identity, first_image = 0, 1
    for scan in sorted_scans(scans):
        used = np.sort(scan.used_frames)
        position = np.searchsorted(used, scan.frame)
        known = position < len(used)
        known[known] = used[position[known]] == scan.frame[known]
        if not known.all():
            unused = int(scan.frame[~known][0])
            raise ValueError(f"{scan.file}: a detection in frame {unused}, which is not among the used frames")
        scores = object_scores(finding, scan)
        # Within a frame the highest score comes first, whatever order the table has.
        order = np.lexsort((-scores.score, scan.frame))
        for start in range(0, len(order), ROWS_PER_CHUNK):
            rows = order[start : start + ROWS_PER_CHUNK]
            for entry in _annotation_rows(scan, rows, scores, eggs, first_image + position[rows]):
                identity += 1
                yield {"id": identity, **entry}
        first_image += len(used)


def _annotation_rows(
    scan: ClipScan,
    rows: np.ndarray[Any, np.dtype[np.int64]],
    scores: ObjectScores,
    eggs: dict[tuple[str, int], int],
    images: np.ndarray[Any, np.dtype[np.int64]],
) -> Iterator[dict[str, Any]]:
    ellipses = scan.ellipse[rows]
    columns = zip(
        images.tolist(),
        (1 + scores.stage[rows]).tolist(),
        np.round(bounding_boxes(ellipses), 2).tolist(),
        np.round(outline(ellipses).reshape(len(rows), -1), 1).tolist(),
        np.round(area(ellipses), 1).tolist(),
        np.round(scores.score[rows], 4).tolist(),
        np.round(scan.score[rows], 4).tolist(),
        scan.track[rows].tolist(),
        scores.objects[rows].tolist(),
        np.round(ellipses, 2).tolist(),
        np.round(scan.stage_probability[rows], 4).tolist(),
        np.round(scan.outline_uncertainty[rows], 4).tolist(),
        strict=True,
    )
    for image, category, box, polygon, size, score, frame_score, track, object_id, ellipse, stages, spread in columns:
        yield {
            "image_id": image,
            "category_id": category,
            "bbox": box,
            "segmentation": [polygon],
            "area": size,
            "iscrowd": 0,
            "score": score,
            "track_id": object_id or None,
            "egg_id": eggs.get((scan.file, track)),
            "ellipse": ellipse,
            "frame_score": frame_score,
            "stage_probabilities": stages,
            "centre_spread_px": _none_if_nan(spread[0]),
            "axis_spread": _none_if_nan(spread[1]),
        }


def _none_if_nan(value: float) -> float | None:
    return None if np.isnan(value) else value


def _lines(entries: Iterator[dict[str, Any]]) -> Iterator[bytes]:
    separator = "\n"
    encode = json.JSONEncoder(ensure_ascii=False, allow_nan=False).encode
    for entry in entries:
        yield (separator + encode(entry)).encode("utf-8", "backslashreplace")
        separator = ",\n"
