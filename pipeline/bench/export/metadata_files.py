"""Writes the data card and the Croissant metadata beside an exported data set."""

from __future__ import annotations

import datetime as dt
import json
from pathlib import Path

from pipeline.bench.export.croissant import croissant_document
from pipeline.bench.export.data_card import data_card
from pipeline.bench.export.description import describe_data_set
from pipeline.bench.export.layouts import LAYOUTS
from pipeline.bench.ground_truth import DataSet
from pipeline.store.atomic_write import write_atomically

__all__ = ["write_metadata"]


def write_metadata(data_set: DataSet, form: str, folder: Path, published: dt.date) -> None:
    """Write ``README.md`` and ``croissant.json`` into a folder that holds the export.

    form : of the export, as in LAYOUTS;  published : the day of the export

    Raises OutputError.
    """
    described, layout = describe_data_set(data_set), LAYOUTS[form]
    splits: dict[str, int] = {}
    if form in ("yolo", "image-folder"):
        for picture in folder.rglob("*.png"):
            splits[picture.parent.name] = splits.get(picture.parent.name, 0) + 1
    card = data_card(described, form, layout.text, dict(sorted(splits.items())))
    write_atomically(folder / "README.md", [card.encode()])
    document = croissant_document(described, layout, folder, published)
    write_atomically(folder / "croissant.json", [json.dumps(document, indent=2, ensure_ascii=False).encode(), b"\n"])
