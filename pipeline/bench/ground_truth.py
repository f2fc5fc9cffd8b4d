"""A data set with ground truth: exam folders, ``coco.json`` and ``animals.json``.

``coco.json`` is COCO with additional keys. An image has ``animal``, ``clip`` and ``frame`` (from 0). An annotation has
``ellipse`` [cx, cy, semi-major, semi-minor, degrees] in px, and, where they are known, ``visible`` (visible share of
the outline, 0 to 1) and ``depth_mm`` (of the centre, from the probe's face along the beam). The scale of each clip,
``mm_per_px``, is in ``animals.json``. What a data set does not contain is unknown and is never guessed.

Stages are indices in STAGES everywhere in this package. COCO's ``category_id`` is greater by one, because COCO counts
categories from 1; the readers of files convert it.
"""

from __future__ import annotations

import json
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from models.ellipse import area, bounding_boxes
from models.errors import ClutchlightError
from models.stages import STAGES
from pipeline.bench.animal_truth import AnimalTruth, read_animal_truths

__all__ = ["FOLLICLE", "DataSet", "DataSetError", "DataSetFrames", "TrueObjects", "open_data_set", "rows_by_frame"]


FOLLICLE = STAGES.index("follicle")


class DataSetError(ClutchlightError):
    """A folder that is not a data set with ground truth."""


@dataclass(frozen=True)
class DataSetFrames:
    """All F frames of a data set, in the order of its file.

    ids : (animal, clip, frame from 0) of each;  species : of each, or "unknown"
    mm_per_px : (F,) float64, NaN where the scale of the clip is unknown
    image_ids : of each in ``coco.json``, by which COCO results name it
    sizes : (F, 2) width and height, px, NaN where unknown
    """

    ids: tuple[tuple[str, str, int], ...]
    species: tuple[str, ...]
    mm_per_px: NDArray[np.float64]
    image_ids: tuple[int, ...]
    sizes: NDArray[np.float64]


@dataclass(frozen=True)
class TrueObjects:
    """All N objects of a data set.

    frame : (N,) int64, index of the frame;  ellipses : (N, 5) px;  boxes : (N, 4) px, left, top, width, height
    areas : (N,) px^2;  stage : (N,) int64, index in STAGES
    ignored : (N,) bool, neither rewarded nor punished (``iscrowd``)
    visible_share : (N,) share of the outline;  depth_mm : (N,); both NaN where unknown
    object_id : (N,) int64, the same for one object in all frames of its animal, 0 where unknown
    """

    frame: NDArray[np.int64]
    ellipses: NDArray[np.float64]
    boxes: NDArray[np.float64]
    areas: NDArray[np.float64]
    stage: NDArray[np.int64]
    ignored: NDArray[np.bool_]
    visible_share: NDArray[np.float64]
    depth_mm: NDArray[np.float64]
    object_id: NDArray[np.int64]

    @property
    def is_shelled(self) -> NDArray[np.bool_]:
        """(N,) whether the object has a shell."""
        return np.asarray(self.stage != FOLLICLE)


@dataclass(frozen=True)
class DataSet:
    """A data set with ground truth.

    name : of the folder;  exams_root : the root for a batch;  animals : by name, as in ``animals.json``
    """

    name: str
    exams_root: Path
    animals: Mapping[str, AnimalTruth]
    frames: DataSetFrames
    objects: TrueObjects


def open_data_set(folder: Path) -> DataSet:
    """Open a folder with exams and ground truth, as written by ``clutchlight phantoms``.

    The two may also be in subfolders ``exams`` and ``truth``.

    Raises DataSetError if the ground truth is missing or cannot be read.
    """
    has_subfolders = (folder / "truth").is_dir()
    truth = folder / "truth" if has_subfolders else folder
    try:
        animals = read_animal_truths(truth)
        coco = json.loads((truth / "coco.json").read_text(encoding="utf-8"))
        frames, objects = _frames(coco["images"], animals), _objects(coco)
    except FileNotFoundError as error:
        raise DataSetError(
            f"{folder} has no ground truth: {error.filename} is missing. Name a folder written by clutchlight phantoms."
        ) from error
    except (ValueError, KeyError, TypeError, AttributeError) as error:
        raise DataSetError(
            f"The ground truth in {truth} cannot be read ({error!r}). Write the data set again."
        ) from error
    return DataSet(folder.resolve().name, folder / "exams" if has_subfolders else folder, animals, frames, objects)


def rows_by_frame(frame: NDArray[np.int64], frames: DataSetFrames) -> list[NDArray[np.int64]]:
    """For each frame of the data set, the rows of a table that belong to it.

    frame : (N,) index of the frame of each row of the table
    """
    order = np.argsort(frame, kind="stable")
    return np.split(order, np.searchsorted(frame[order], np.arange(1, len(frames.ids))))


def _frames(images: Sequence[Mapping[str, Any]], animals: Mapping[str, AnimalTruth]) -> DataSetFrames:
    clips = [animals[image["animal"]].clips.get(image["clip"]) for image in images]
    return DataSetFrames(
        ids=tuple((image["animal"], image["clip"], image["frame"]) for image in images),
        species=tuple(animals[image["animal"]].species or "unknown" for image in images),
        mm_per_px=np.array([None if clip is None else clip.mm_per_px for clip in clips], dtype=np.float64),
        image_ids=tuple(image["id"] for image in images),
        sizes=np.array([[image.get("width"), image.get("height")] for image in images], np.float64).reshape(-1, 2),
    )


def _objects(coco: Mapping[str, Any]) -> TrueObjects:
    frame_index = {image["id"]: index for index, image in enumerate(coco["images"])}
    rows = coco["annotations"]
    ellipses = np.array([row["ellipse"] for row in rows], dtype=np.float64).reshape(-1, 5)
    boxes, areas = bounding_boxes(ellipses).tolist(), area(ellipses).tolist()

    def optional(key: str) -> NDArray[np.float64]:
        return np.array([row.get(key) for row in rows], dtype=np.float64)

    return TrueObjects(
        frame=np.array([frame_index[row["image_id"]] for row in rows], dtype=np.int64),
        ellipses=ellipses,
        boxes=np.array([row.get("bbox", box) for row, box in zip(rows, boxes, strict=True)], float).reshape(-1, 4),
        areas=np.array([row.get("area", size) for row, size in zip(rows, areas, strict=True)], dtype=np.float64),
        stage=np.array([row["category_id"] - 1 for row in rows], dtype=np.int64),
        ignored=np.array([bool(row["iscrowd"]) for row in rows], dtype=bool),
        visible_share=optional("visible"),
        depth_mm=optional("depth_mm"),
        object_id=np.array([row.get("track_id") or 0 for row in rows], dtype=np.int64),
    )
