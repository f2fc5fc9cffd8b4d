"""The output folder of our own batch."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

from pipeline.bench.exported_detections import detection_table
from pipeline.bench.ground_truth import DataSet
from pipeline.bench.result_files import read_result, result_folders
from pipeline.bench.results.method_results import MethodResults, ResultsError
from pipeline.bench.stated_counts import counts_of_result

__all__ = ["read_if_own_output", "read_own_output"]


def read_if_own_output(data_set: DataSet, path: Path) -> MethodResults | None:
    """As `ResultsReader`."""
    if not result_folders(path):
        return None
    results = read_own_output(data_set, path)
    if not results.exams:
        raise ResultsError(f"{path} holds no exam of {data_set.name}. Name what a batch wrote for its recordings.")
    return results


def read_own_output(data_set: DataSet, path: Path) -> MethodResults:
    """What a batch over ``data_set.exams_root`` wrote to ``path``. An exam without a folder has no detections."""
    folders = result_folders(path)
    exams = [(animal, truth.date) for animal, truth in data_set.animals.items()]
    exams_read = {exam: folders[exam] for exam in exams if exam in folders}
    frame_index = {name: index for index, name in enumerate(data_set.frames.ids)}
    rows: list[tuple[int, dict[str, Any]]] = []
    frames_used = 0
    for (animal, _), folder in exams_read.items():
        document = json.loads((folder / "detections.coco.json").read_text(encoding="utf-8"))
        known = {
            image["id"]: frame_index[animal, image["clip"], image["frame"]]
            for image in document["images"]
            if (animal, image["clip"], image["frame"]) in frame_index
        }
        frames_used += len(known)
        rows += [(known[row["image_id"]], row) for row in document["annotations"] if row["image_id"] in known]
    return MethodResults(
        found=detection_table(rows, frames_used=frames_used),
        has_tracks=True,
        counts={animal: counts_of_result(read_result(folder)) for (animal, _), folder in exams_read.items()},
        exams=exams_read,
    )
