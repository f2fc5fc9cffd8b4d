"""YOLO predictions: a folder ``labels`` with a file for each picture, as in ``clutchlight bench export --format yolo``.

A file is called ANIMAL_CLIP_FRAME.txt, with six digits for the frame from 0. A line has the stage (0 follicle, 1
thin-shelled, 2 calcified), then a box (centre x and y, width and height) or the corners of an outline, all as shares of
the picture's width and height, and last the score, which is 1 where there is none. A picture without a file has no
detections.
"""

from __future__ import annotations

from pathlib import Path
from typing import Any

import numpy as np

from pipeline.bench.exported_detections import detection_table
from pipeline.bench.ground_truth import DataSet
from pipeline.bench.results.coco_results import checked_detection
from pipeline.bench.results.method_results import MethodResults, ResultsError
from pipeline.bench.sequences import picture_names

__all__ = ["read_yolo_labels"]

_OF_A_BOX = (5, 6)  # numbers in a line, without and with a score


def read_yolo_labels(data_set: DataSet, path: Path) -> MethodResults | None:
    """As `ResultsReader`."""
    files = sorted((path / "labels").rglob("*.txt"))
    if not files:
        return None
    frame_of_picture = {name: frame for frame, name in enumerate(picture_names(data_set))}
    rows: list[tuple[int, dict[str, Any]]] = []
    for file in files:
        frame = frame_of_picture.get(file.stem)
        if frame is None:
            raise ResultsError(
                f"{file} is no picture of {data_set.name}. Files are called ANIMAL_CLIP_FRAME.txt, such as "
                f"{next(iter(frame_of_picture), 'AF-0001_left-1_000000')}.txt."
            )
        width, height = data_set.frames.sizes[frame].tolist()
        if np.isnan(width):
            raise ResultsError(
                f"The coco.json of {data_set.name} does not say how large the pictures are, so shares of their width "
                "and height mean nothing. Give its images width and height."
            )
        for number, line in enumerate(file.read_text(encoding="utf-8").splitlines(), 1):
            try:
                rows.append((frame, _detection([float(value) for value in line.split()], width, height)))
            except (ValueError, KeyError) as error:
                raise ResultsError(
                    f"{file}, line {number}: this is no detection ({error!r}). Write the stage, a box or an outline as "
                    "shares of width and height, and a score from 0 to 1."
                ) from error
    return MethodResults(found=detection_table(rows, frames_used=len(data_set.frames.ids)))


def _detection(values: list[float], width: float, height: float) -> dict[str, Any]:
    """Raises ValueError. Pixel centres are at whole numbers, so the picture begins at -0.5."""
    if len(values) < min(_OF_A_BOX) or not values[0].is_integer():
        raise ValueError(f"{len(values)} numbers")
    # The stage and pairs of numbers, and then perhaps the score.
    score, last = (1.0, len(values)) if len(values) % 2 else (values[-1], -1)
    shape = np.array(values[1:last]).reshape(-1, 2) * [width, height]
    stated = {"category_id": int(values[0]) + 1, "score": score}
    if len(values) in _OF_A_BOX:
        (cx, cy), (box_width, box_height) = shape.tolist()
        box = [cx - box_width / 2 - 0.5, cy - box_height / 2 - 0.5, box_width, box_height]
        return checked_detection({**stated, "bbox": box})
    return checked_detection({**stated, "segmentation": [(shape - 0.5).ravel().tolist()]})
