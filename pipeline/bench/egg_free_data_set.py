"""Recordings of animals known to carry no eggs or follicles: a data set that needs no ground-truth file."""

from __future__ import annotations

import json
from pathlib import Path

import numpy as np

from pipeline.bench.animal_truth import AnimalTruth, ClipTruth, ObjectNumbers
from pipeline.bench.ground_truth import DataSet, DataSetError, DataSetFrames, TrueObjects
from pipeline.bench.result_files import read_result, result_folders

__all__ = ["egg_free_data_set"]

_NO_OBJECTS = ObjectNumbers()


def egg_free_data_set(folder: Path, results: Path) -> DataSet:
    """The exams under ``folder`` as a data set without objects. Its frames are those that the batch used.

    results : what the batch over ``folder`` wrote

    Raises DataSetError if there is no result, or if an animal has more than one exam.
    """
    animals: dict[str, AnimalTruth] = {}
    names: list[tuple[str, str, int]] = []
    for (animal, date), written in result_folders(results).items():
        if animal in animals:
            raise DataSetError(f"{folder}: {animal} has several exams. Keep one exam of each animal.")
        result = read_result(written)
        animals[animal] = AnimalTruth(
            date=date,
            species=result["species"],
            carried=_NO_OBJECTS,
            crossed=_NO_OBJECTS,
            shown=None,
            clips={clip["file"]: ClipTruth(clip["mm_per_px"], None, None) for clip in result["clips"]},
            objects=None,
        )
        images = json.loads((written / "detections.coco.json").read_text(encoding="utf-8"))["images"]
        names += [(animal, image["clip"], image["frame"]) for image in images]
    if not animals:
        raise DataSetError(
            f"{folder}: no exam in this folder could be used. Name a folder with exams, as ANIMAL/DATE with clips."
        )
    frames = DataSetFrames(
        tuple(names),
        tuple(animals[name[0]].species or "unknown" for name in names),
        np.array([animals[name[0]].clips[name[1]].mm_per_px for name in names], dtype=np.float64),
        tuple(range(1, len(names) + 1)),
        np.full((len(names), 2), np.nan),
    )
    empty = np.zeros(0)
    objects = TrueObjects(
        frame=np.zeros(0, np.int64),
        ellipses=np.zeros((0, 5)),
        boxes=np.zeros((0, 4)),
        areas=empty,
        stage=np.zeros(0, np.int64),
        ignored=np.zeros(0, bool),
        visible_share=empty,
        depth_mm=empty,
        object_id=np.zeros(0, np.int64),
    )
    return DataSet(folder.resolve().name, folder, animals, frames, objects)
