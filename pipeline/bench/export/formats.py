"""The formats in which a data set can be exported, by name."""

from __future__ import annotations

from pipeline.bench.export.coco_export import write_coco
from pipeline.bench.export.exported_clips import DataSetWriter
from pipeline.bench.export.image_folder_export import write_image_folder
from pipeline.bench.export.mot_export import write_mot
from pipeline.bench.export.yolo_export import write_yolo

__all__ = ["WRITERS"]

WRITERS: dict[str, DataSetWriter] = {
    "coco": write_coco,
    "mot": write_mot,
    "yolo": write_yolo,
    "image-folder": write_image_folder,
}
