"""Results in FiftyOne, which shows them in a browser; in the peers' environment.

    clutchlight bench export DATASET --format coco --out exported
    PEERS/bin/python -m pipeline.bench.export.fiftyone_view exported results.json

FiftyOne keeps data sets in a MongoDB server. Where it brings none for the machine, name one:
``FIFTYONE_DATABASE_URI=mongodb://localhost``.
"""

from __future__ import annotations

import json
import sys
from pathlib import Path
from typing import Any

from models.ellipse import outline
from pipeline.bench.results.coco_results import checked_detection

__all__ = ["fill_data_set", "main"]


def fill_data_set(exported: Path, detections: list[dict[str, Any]]) -> Any:
    """A data set of FiftyOne with the true outlines (``truth``) and the detections of COCO results (``found``).

    Outlines are polylines in shares of the picture, each with its ellipse in px (``ellipse``) and track (``index``, 0
    for none). Raises ValueError, KeyError or TypeError for a detection that is not valid.
    """
    import fiftyone

    document = json.loads((exported / "annotations.json").read_text(encoding="utf-8"))
    names = {category["id"]: category["name"] for category in document["categories"]}
    data_set = fiftyone.Dataset()
    samples = []
    for image in document["images"]:
        sample = fiftyone.Sample(filepath=str((exported / "images" / image["file_name"]).resolve()))
        sample["image_id"] = image["id"]
        for field, rows in (("truth", document["annotations"]), ("found", detections)):
            own = [row for row in rows if row["image_id"] == image["id"]]
            polylines = [_polyline({"score": 1.0, **row}, image, names) for row in own]
            sample[field] = fiftyone.Polylines(polylines=polylines)
        samples.append(sample)
    data_set.add_samples(samples, progress=False)
    return data_set


def main(exported: Path, results: Path) -> None:
    """Show them until the browser's tab is closed."""
    import fiftyone

    data_set = fill_data_set(exported, json.loads(results.read_text(encoding="utf-8")))
    fiftyone.launch_app(data_set).wait()


def _polyline(row: dict[str, Any], image: dict[str, Any], names: dict[int, str]) -> Any:
    import fiftyone

    checked = checked_detection(row)
    # Pixel centres are at whole numbers, so the picture begins at -0.5.
    points = (outline(checked["ellipse"])[0] + 0.5) / [image["width"], image["height"]]
    return fiftyone.Polyline(
        points=[[(float(x), float(y)) for x, y in points]],
        closed=True,
        filled=False,
        label=names.get(checked.get("category_id", 0), "egg"),
        confidence=checked["score"],
        index=checked["track_id"],
        ellipse=checked["ellipse"],
    )


if __name__ == "__main__":
    main(Path(sys.argv[1]), Path(sys.argv[2]))
