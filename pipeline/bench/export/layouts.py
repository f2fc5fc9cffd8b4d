"""Which files each format of an export has, for the data card and the Croissant metadata."""

from __future__ import annotations

from pipeline.bench.export.croissant import Column, FileGroup, Layout

__all__ = ["LAYOUTS"]


def _pictures(pattern: str) -> FileGroup:
    return FileGroup("pictures", "Frames, as PNG.", pattern, "image/png")


def _coco_columns(table: str, columns: dict[str, tuple[str, str]]) -> tuple[Column, ...]:
    """By name: the type and what it is."""
    return tuple(
        Column(name, about, data_type, {"jsonPath": f"$.{table}[*].{name}"})
        for name, (data_type, about) in columns.items()
    )


_COCO_TABLES = (
    (
        "images",
        _coco_columns(
            "images",
            {
                "id": ("sc:Integer", "As in the data set's coco.json, so detections are results for it."),
                "file_name": ("sc:Text", "In the folder images."),
                "width": ("sc:Integer", "px"),
                "height": ("sc:Integer", "px"),
            },
        ),
    ),
    (
        "annotations",
        _coco_columns(
            "annotations",
            {
                "id": ("sc:Integer", "Of the outline."),
                "image_id": ("sc:Integer", "Of its picture."),
                "category_id": ("sc:Integer", "1 follicle, 2 thin-shelled, 3 calcified."),
                "track_id": ("sc:Integer", "The same for one object in all frames of its animal; 0 if unknown."),
                "iscrowd": ("sc:Integer", "1 for an ignored object."),
                "area": ("sc:Float", "px^2"),
            },
        ),
    ),
)

LAYOUTS: dict[str, Layout] = {
    "coco": Layout(
        text="`annotations.json` is COCO, with `ellipse` [centre x, centre y, semi-major, semi-minor axis in px, "
        "degrees from +x towards +y, y down] and `track_id` of each outline. `image_id` is that of the data "
        "set, so detections in these pictures are results for `clutchlight bench accuracy --results`.",
        groups=(_pictures("images/*.png"),),
        table_file="annotations.json",
        tables=_COCO_TABLES,
    ),
    "mot": Layout(
        text="A folder for each clip, as in MOTChallenge: `seqinfo.ini`, pictures in `img1`, and `gt/gt.txt` "
        "with frame (from 1), object, left, top, width, height, 1 or 0 for an ignored object, stage from 1, "
        "visible share.",
        groups=(
            _pictures("*/img1/*.png"),
            FileGroup("tracks", "Boxes of all objects in each frame of a clip.", "*/gt/gt.txt", "text/csv"),
        ),
    ),
    "yolo": Layout(
        text="YOLO segmentation: a line of a label has the stage from 0 and the corners of the outline as shares "
        "of the picture's width and height. The format cannot say that an object is ignored, so ignored "
        "ones are left out.",
        groups=(
            _pictures("images/*/*.png"),
            FileGroup("labels", "Outlines in one picture.", "labels/*/*.txt", "text/plain"),
        ),
    ),
    "image-folder": Layout(
        text="Each line of `metadata.jsonl` is a picture. `objects` has a list for each property, with an entry "
        "for each object: `bbox` (left, top, width, height, px), `category` (stage from 0), `ellipse` "
        "(centre x and y, semi-major and semi-minor axis, px; degrees from +x towards +y, y down), `track` "
        "(the same for one object in all frames of its animal, 0 if unknown) and `ignored`.",
        groups=(
            _pictures("*/*.png"),
            FileGroup("metadata", "A line for each picture.", "*/metadata.jsonl", "application/jsonlines"),
        ),
    ),
}
