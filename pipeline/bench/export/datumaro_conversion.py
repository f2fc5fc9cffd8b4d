"""An exported data set through Datumaro, which writes and reads what labelling tools speak; in the peers' environment.

    clutchlight bench export DATASET --format coco --out exported
    PEERS/bin/python -m pipeline.bench.export.datumaro_conversion write exported label_me labelled
    PEERS/bin/python -m pipeline.bench.export.datumaro_conversion read exported label_me labelled results.json

The first call writes any of Datumaro's formats that has polygons and free attributes (``datumaro``, ``coco_instances``,
``label_me``); the second reads what people made of it as COCO results, for ``bench accuracy --results``. Outlines go as
polygons, since Datumaro's ellipses are upright, and come back as ellipses; tracks go as the attribute ``track_id``.
"""

from __future__ import annotations

import json
import sys
from collections.abc import Iterator, Sequence
from pathlib import Path
from typing import Any

from models.errors import ClutchlightError

__all__ = ["main", "read_labels", "write_labels"]

_TRACK = "track_id"


class ConversionError(ClutchlightError):
    """Wrong arguments, or labels that are not of the exported data set."""


def write_labels(exported: Path, form: str, folder: Path) -> None:
    """Write the pictures and outlines of ``bench export --format coco`` in a format of Datumaro."""
    import datumaro

    document = json.loads((exported / "annotations.json").read_text(encoding="utf-8"))
    names = [category["name"] for category in document["categories"]]
    items = list(_items(document, exported / "images"))
    datumaro.Dataset.from_iterable(items, categories=names).export(str(folder), form, save_media=True)


def read_labels(exported: Path, form: str, folder: Path) -> list[dict[str, Any]]:
    """The outlines in a folder of that format as COCO results, each with the score 1.

    Raises ConversionError for a picture or a label that the exported data set does not have.
    """
    import datumaro

    document = json.loads((exported / "annotations.json").read_text(encoding="utf-8"))
    images = {Path(image["file_name"]).stem: image["id"] for image in document["images"]}
    categories = {category["name"]: category["id"] for category in document["categories"]}
    labelled = datumaro.Dataset.import_from(str(folder), form)
    labels = [label.name for label in labelled.categories()[datumaro.AnnotationType.label]]
    results = []
    for item in labelled:
        for each in item.annotations:
            if each.type != datumaro.AnnotationType.polygon:
                continue  # some formats add the box of each polygon
            name = labels[each.label]
            if Path(item.id).name not in images or name not in categories:
                raise ConversionError(f"{folder}: {item.id} or {name} is not in {exported}. Name the same export.")
            results.append(
                {
                    "image_id": images[Path(item.id).name],
                    "category_id": categories[name],
                    "segmentation": [[float(value) for value in each.points]],
                    "score": 1.0,
                    _TRACK: int(each.attributes.get(_TRACK, 0)),
                }
            )
    return results


def main(arguments: Sequence[str]) -> None:
    """Raises ConversionError if the arguments are none of those above."""
    match arguments:
        case ["write", exported, form, folder]:
            write_labels(Path(exported), form, Path(folder))
        case ["read", exported, form, folder, results]:
            rows = read_labels(Path(exported), form, Path(folder))
            Path(results).write_text(json.dumps(rows, allow_nan=False), encoding="utf-8")
        case _:
            raise ConversionError("Give write EXPORTED FORMAT FOLDER, or read EXPORTED FORMAT FOLDER RESULTS.")


def _items(document: dict[str, Any], pictures: Path) -> Iterator[Any]:
    import datumaro
    from datumaro.components.annotation import Polygon
    from datumaro.components.media import Image

    objects: dict[int, list[dict[str, Any]]] = {}
    for each in document["annotations"]:
        objects.setdefault(each["image_id"], []).append(each)
    places = {category["id"]: place for place, category in enumerate(document["categories"])}
    for image in document["images"]:
        outlines = [
            Polygon(
                each["segmentation"][0],
                label=places[each["category_id"]],
                id=each["id"],
                group=each["id"],
                attributes={_TRACK: each[_TRACK]},
            )
            for each in objects.get(image["id"], [])
        ]
        yield datumaro.DatasetItem(
            id=Path(image["file_name"]).stem,
            media=Image.from_file(path=str(pictures / image["file_name"])),
            annotations=outlines,
        )


if __name__ == "__main__":
    main(sys.argv[1:])
