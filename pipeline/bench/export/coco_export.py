"""COCO: ``images`` and ``annotations.json`` with the outline as a polygon, beside our own ``ellipse`` and ``track_id``.

``image_id`` is that of the data set's ``coco.json``, so detections in these pictures are results for `bench accuracy`.
"""

from __future__ import annotations

import json
from collections.abc import Iterator
from pathlib import Path
from typing import Any

from models.ellipse import outline
from models.stages import STAGES
from pipeline.bench.export.exported_clips import ExportedClip, write_picture
from pipeline.bench.ground_truth import DataSet
from pipeline.bench.sequences import picture_name
from pipeline.store.atomic_write import write_atomically

__all__ = ["write_coco"]

_CATEGORIES = [{"id": number, "name": stage} for number, stage in enumerate(STAGES, 1)]


def write_coco(data_set: DataSet, clips: Iterator[ExportedClip], folder: Path) -> None:
    """As `DataSetWriter`."""
    image_ids = dict(zip(data_set.frames.ids, data_set.frames.image_ids, strict=True))
    images: list[dict[str, Any]] = []
    annotations: list[dict[str, Any]] = []
    for clip in clips:
        for frame in clip.frames:
            name = f"{picture_name(clip.sequence, frame.number)}.png"
            write_picture(folder / "images" / name, frame.picture)
            image = image_ids[clip.animal, clip.file, frame.number]
            images.append({"id": image, "file_name": name, "width": clip.width, "height": clip.height})
            annotations += [
                {"id": len(annotations) + number, "image_id": image, **_annotation(data_set, row)}
                for number, row in enumerate(frame.objects.tolist(), 1)
            ]
    document = {"images": images, "annotations": annotations, "categories": _CATEGORIES}
    write_atomically(folder / "annotations.json", [json.dumps(document, allow_nan=False).encode()])


def _annotation(data_set: DataSet, row: int) -> dict[str, Any]:
    truth = data_set.objects
    return {
        "category_id": int(truth.stage[row]) + 1,
        "bbox": truth.boxes[row].round(2).tolist(),
        "area": round(float(truth.areas[row]), 1),
        "segmentation": [outline(truth.ellipses[row])[0].round(2).ravel().tolist()],
        "iscrowd": int(truth.ignored[row]),
        "ellipse": truth.ellipses[row].round(2).tolist(),
        "track_id": int(truth.object_id[row]),
    }
