"""A Hugging Face image folder: ``train`` and ``validation`` with pictures and ``metadata.jsonl``.

A line of ``metadata.jsonl`` has ``file_name``, ``animal``, ``clip``, ``frame`` (from 0), ``mm_per_px`` (null if
unknown) and ``objects``: lists ``bbox`` [left, top, width, height], ``category`` (0 follicle, 1 thin-shelled, 2
calcified), ``ellipse``, ``track`` and ``ignored``, an entry for each object. Every fourth animal is in ``validation``.
"""

from __future__ import annotations

import json
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from pipeline.bench.export.exported_clips import ExportedClip, is_held_back, write_picture
from pipeline.bench.ground_truth import DataSet
from pipeline.bench.sequences import picture_name
from pipeline.store.atomic_write import write_atomically

__all__ = ["write_image_folder"]

_SPLITS = ("train", "validation")


def write_image_folder(data_set: DataSet, clips: Iterator[ExportedClip], folder: Path) -> None:
    """As `DataSetWriter`."""
    rows: dict[str, list[dict[str, Any]]] = {split: [] for split in _SPLITS}
    for clip in clips:
        split = _SPLITS[is_held_back(data_set, clip.animal)]
        truth = data_set.animals[clip.animal].clips.get(clip.file)
        for frame in clip.frames:
            name = f"{picture_name(clip.sequence, frame.number)}.png"
            write_picture(folder / split / name, frame.picture)
            rows[split].append(
                {
                    "file_name": name,
                    "animal": clip.animal,
                    "clip": clip.file,
                    "frame": frame.number,
                    "mm_per_px": None if truth is None else truth.mm_per_px,
                    "objects": _objects(data_set, frame.objects),
                }
            )
    for split, lines in rows.items():
        if lines:
            text = (json.dumps(line, ensure_ascii=False, allow_nan=False) + "\n" for line in lines)
            write_atomically(folder / split / "metadata.jsonl", (line.encode() for line in text))


def _objects(data_set: DataSet, chosen: NDArray[np.int64]) -> dict[str, list[Any]]:
    truth = data_set.objects
    return {
        "bbox": truth.boxes[chosen].round(2).tolist(),
        "category": truth.stage[chosen].tolist(),
        "ellipse": truth.ellipses[chosen].round(2).tolist(),
        "track": truth.object_id[chosen].tolist(),
        "ignored": truth.ignored[chosen].tolist(),
    }
