"""A data set with truth: exam folders, ``coco.json`` and ``animals.json``."""

from __future__ import annotations

import json
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from models.errors import ClutchlightError

__all__ = ["DataSet", "DataSetError", "FrameTruth", "open_data_set"]


class DataSetError(ClutchlightError):
    """A folder that is no data set with truth."""


@dataclass(frozen=True)
class FrameTruth:
    """One frame's objects: ellipses (N, 5) px, stage (N,) int64 from 1 follicle to 3 calcified, ignored (N,) bool."""

    ellipses: NDArray[np.float64]
    stage: NDArray[np.int64]
    ignored: NDArray[np.bool_]


@dataclass(frozen=True)
class DataSet:
    """name : of the folder;  exams : the root for a batch;  animals : the content of ``animals.json``

    frames : by animal, clip and frame from 0
    """

    name: str
    exams: Path
    animals: dict[str, Any]
    frames: dict[tuple[str, str, int], FrameTruth]


def open_data_set(folder: Path) -> DataSet:
    """A folder with exams and truth together, as ``clutchlight phantoms`` writes it, or in ``exams`` and ``truth``.

    Raises DataSetError if there is no truth or it cannot be read.
    """
    apart = (folder / "truth").is_dir()
    truth = folder / "truth" if apart else folder
    try:
        animals = json.loads((truth / "animals.json").read_text(encoding="utf-8"))
        coco = json.loads((truth / "coco.json").read_text(encoding="utf-8"))
        frames = _frames(coco)
    except FileNotFoundError as error:
        raise DataSetError(
            f"{folder} holds no truth: {error.filename} is missing. Name a folder that clutchlight phantoms wrote."
        ) from error
    except (ValueError, KeyError, TypeError) as error:
        raise DataSetError(f"The truth in {truth} cannot be read ({error!r}). Write the data set again.") from error
    return DataSet(folder.resolve().name, folder / "exams" if apart else folder, animals, frames)


def _frames(coco: dict[str, Any]) -> dict[tuple[str, str, int], FrameTruth]:
    by_image: dict[int, list[dict[str, Any]]] = {}
    for annotation in coco["annotations"]:
        by_image.setdefault(annotation["image_id"], []).append(annotation)
    result = {}
    for image in coco["images"]:
        rows = by_image.get(image["id"], [])
        result[image["animal"], image["clip"], image["frame"]] = FrameTruth(
            ellipses=np.array([row["ellipse"] for row in rows], dtype=np.float64).reshape(-1, 5),
            stage=np.array([row["category_id"] for row in rows], dtype=np.int64),
            ignored=np.array([bool(row["iscrowd"]) for row in rows], dtype=bool),
        )
    return result
