"""A Hugging Face image folder: ``train`` and ``validation`` with pictures and ``metadata.jsonl``, and a data card.

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

from models.stages import STAGES
from pipeline.bench.export.exported_clips import ExportedClip, is_held_back, write_picture
from pipeline.bench.ground_truth import DataSet
from pipeline.bench.sequences import picture_name
from pipeline.formatting import plural
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
    write_atomically(folder / "README.md", [_card(data_set, {split: len(rows[split]) for split in _SPLITS}).encode()])


def _objects(data_set: DataSet, chosen: NDArray[np.int64]) -> dict[str, list[Any]]:
    truth = data_set.objects
    return {
        "bbox": truth.boxes[chosen].round(2).tolist(),
        "category": truth.stage[chosen].tolist(),
        "ellipse": truth.ellipses[chosen].round(2).tolist(),
        "track": truth.object_id[chosen].tolist(),
        "ignored": truth.ignored[chosen].tolist(),
    }


def _card(data_set: DataSet, pictures: dict[str, int]) -> str:
    """The data card: what a search needs first, then what a reader does."""
    simulated = all(truth.world for truth in data_set.animals.values())
    origin = (
        "They show simulated animals, so no figure on them says how a method does on real ones."
        if simulated
        else "Their origin is not recorded in the data set."
    )
    categories = "\n".join(f"- {number}: {stage}" for number, stage in enumerate(STAGES))
    splits = ", ".join(f"{number:,} in `{split}`" for split, number in pictures.items())
    return f"""---
pretty_name: {json.dumps(data_set.name)}
task_categories:
- object-detection
tags:
- ultrasound
---

# {data_set.name}

Frames of ultrasound clips of {plural(len(data_set.animals), "animal")} with the outlines of eggs and follicles:
{splits}. No animal is in both. {origin}

Each line of `metadata.jsonl` is a picture. `objects` has a list for each property, with an entry for each object:
`bbox` (left, top, width, height, px), `ellipse` (centre x and y, semi-major and semi-minor axis, px; degrees from +x
towards +y, y down), `track` (the same for one object in all frames of its animal, 0 if unknown), `ignored` (mostly
hidden or cut near the pole: neither right nor wrong to find), and `category`:

{categories}

Outlines are whole, also where a shadow hides them or the frame ends. Neighbouring frames of a clip are alike, so
intervals must be taken over animals.
"""
