"""Writes data sets and results whose metrics are known, because their errors are deliberate."""

from __future__ import annotations

import json
from collections import Counter
from pathlib import Path
from typing import Any

from models.ellipse import area, bounding_boxes
from models.stages import STAGES
from pipeline.bench.data_set_metrics import DataSetMetrics, measure_data_set
from pipeline.bench.ground_truth import DataSet, open_data_set
from pipeline.bench.results.own_output import read_own_output
from pipeline.settings import load_settings
from tests.pipeline.bench.matched_egg_examples import reported_egg

__all__ = [
    "DATE",
    "SETTINGS",
    "detection_annotation",
    "measure_folder",
    "measure_results",
    "object_annotation",
    "write_result",
    "write_truth",
]

DATE = "2026-05-03"
SETTINGS = load_settings()


def object_annotation(
    image: int,
    category: int,
    ellipse: list[float],
    *,
    ignored: bool = False,
    visible: float | None = None,
    depth_mm: float | None = None,
    track: int | None = None,
) -> dict[str, Any]:
    """A true object as in ``coco.json``. category : from 1"""
    known = {"visible": visible, "depth_mm": depth_mm, "track_id": track}
    return {
        "image_id": image,
        "category_id": category,
        "ellipse": ellipse,
        "bbox": bounding_boxes(ellipse)[0].tolist(),
        "area": float(area(ellipse)[0]),
        "iscrowd": int(ignored),
        **{key: value for key, value in known.items() if value is not None},
    }


def detection_annotation(
    image: int,
    category: int,
    ellipse: list[float],
    *,
    score: float = 0.9,
    track: int | None = None,
    egg: int | None = None,
    spread: tuple[float, float] | None = None,
) -> dict[str, Any]:
    """A detection as in ``detections.coco.json``. category : from 1"""
    return {
        "image_id": image,
        "category_id": category,
        "ellipse": ellipse,
        "bbox": bounding_boxes(ellipse)[0].tolist(),
        "score": score,
        "track_id": track,
        "egg_id": egg,
        "centre_spread_px": None if spread is None else spread[0],
        "axis_spread": None if spread is None else spread[1],
    }


def write_truth(
    folder: Path,
    annotations: list[dict[str, Any]],
    *,
    animals: tuple[str, ...] = ("AF-1",),
    frames: int = 2,
    species: str | None = None,
    mm_per_px: float | None = None,
    carried: int = 0,
    crossed: int = 0,
) -> None:
    """Write a data set. Each animal has one clip. Image numbers start at 1 and continue from animal to animal."""
    folder.mkdir(parents=True, exist_ok=True)
    images = [
        {"id": index * frames + n + 1, "animal": animal, "clip": "left-1.mp4", "frame": n}
        for index, animal in enumerate(animals)
        for n in range(frames)
    ]
    rows = [{"id": n, **row} for n, row in enumerate(annotations, 1)]
    categories = [{"id": n, "name": name} for n, name in enumerate(STAGES, 1)]
    document = {"images": images, "annotations": rows, "categories": categories}
    (folder / "coco.json").write_text(json.dumps(document))
    names = {image["id"]: image["animal"] for image in images}
    well_visible = Counter((names[row["image_id"]], row.get("track_id")) for row in annotations if not row["iscrowd"])

    def entry(name: str) -> dict[str, Any]:
        seen_ids = [
            track for (animal, track), number in well_visible.items() if animal == name and track and number >= 3
        ]
        scale = {} if mm_per_px is None else {"mm_per_px": mm_per_px}
        return {**animal, "clips": {"left-1.mp4": {"seen_ids": sorted(seen_ids), **scale}}}

    animal = {
        "date": DATE,
        "species": species,
        "in_animal": {"follicle": 0, "thin-shelled": 0, "calcified": carried},
        "seen": {"follicle": 0, "thin-shelled": 0, "calcified": crossed},
    }
    (folder / "animals.json").write_text(json.dumps({name: entry(name) for name in animals}))


def write_result(
    out: Path,
    annotations: list[dict[str, Any]],
    *,
    animal: str = "AF-1",
    first_image: int = 1,
    frames: int = 2,
    at_least: int = 0,
    estimate: int = 0,
    interval: tuple[int, int] = (0, 0),
    follicles: int = 0,
    eggs: dict[int, list[str]] | None = None,
) -> None:
    """Write the results of one animal. Its image numbers differ from those of the ground truth.

    eggs : the clip of each sighting of each egg; all eggs are calcified
    """
    folder = out / animal / DATE
    folder.mkdir(parents=True)
    images = [{"id": n + 11, "clip": "left-1.mp4", "frame": n} for n in range(frames)]
    rows = [{**row, "image_id": row["image_id"] - first_image + 11} for row in annotations]
    (folder / "detections.coco.json").write_text(json.dumps({"images": images, "annotations": rows}))
    result = {
        "animal": animal,
        "exam": DATE,
        "species": None,
        "clips": [{"file": "left-1.mp4", "mm_per_px": None, "status": "done"}],
        "shelled": {"at_least": at_least, "estimate": estimate, "interval90": interval},
        "follicles": {"at_least": 0, "estimate": follicles, "interval90": [follicles, follicles]},
        "stage": {"overall": "none seen", "probability": 0.9},
        "confidence": 0.9,
        "flags": [],
        "eggs": [
            reported_egg(2, [0.0, 0.0, 1.0]) | {"id": number, "sightings": [{"clip": clip} for clip in clips]}
            for number, clips in (eggs or {}).items()
        ],
    }
    (folder / "result.json").write_text(json.dumps(result))


def measure_folder(folder: Path) -> DataSetMetrics:
    """The metrics of the results in ``folder/out`` on the data set in ``folder/set``."""
    return measure_results(open_data_set(folder / "set"), folder / "out")


def measure_results(data_set: DataSet, results: Path) -> DataSetMetrics:
    """The metrics of the output of a batch."""
    return measure_data_set(data_set, read_own_output(data_set, results), SETTINGS)
