"""YOLO segmentation: ``images`` and ``labels`` with ``train`` and ``val``, and ``data.yaml``.

A line of a label has the stage (0 follicle, 1 thin-shelled, 2 calcified) and the corners of the outline, x and y as
shares of the picture's width and height. Outlines are cut at the picture's edge. The format cannot say that an object
is to be ignored, so ignored ones are left out. Every fourth animal is in ``val``.
"""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import numpy as np
import shapely
from numpy.typing import NDArray

from models.ellipse import outline
from models.stages import STAGES
from pipeline.bench.export.exported_clips import ExportedClip, ExportedFrame, is_held_back, write_picture
from pipeline.bench.ground_truth import DataSet
from pipeline.bench.sequences import picture_name
from pipeline.store.atomic_write import write_atomically

__all__ = ["write_yolo"]


def write_yolo(data_set: DataSet, clips: Iterator[ExportedClip], folder: Path) -> None:
    """As `DataSetWriter`."""
    for clip in clips:
        split = "val" if is_held_back(data_set, clip.animal) else "train"
        for frame in clip.frames:
            name = picture_name(clip.sequence, frame.number)
            write_picture(folder / "images" / split / f"{name}.png", frame.picture)
            lines = [f"{line}\n".encode() for line in _lines(data_set, frame)]
            write_atomically(folder / "labels" / split / f"{name}.txt", lines)
    names = "".join(f"  {number}: {name}\n" for number, name in enumerate(STAGES))
    text = f"path: .\ntrain: images/train\nval: images/val\nnames:\n{names}"
    write_atomically(folder / "data.yaml", [text.encode()])


def _lines(data_set: DataSet, frame: ExportedFrame) -> Iterator[str]:
    height, width = frame.picture.shape
    for row in frame.objects.tolist():
        if data_set.objects.ignored[row]:
            continue
        corners = _within(outline(data_set.objects.ellipses[row])[0], width, height)
        if len(corners):
            shares = ((corners + 0.5) / [width, height]).clip(0, 1).ravel()
            yield f"{data_set.objects.stage[row]} " + " ".join(f"{share:.6f}" for share in shares)


def _within(corners: NDArray[np.float64], width: int, height: int) -> NDArray[np.float64]:
    """(M, 2) corners of the part of an outline inside the picture, none if it is outside."""
    # Pixel centres are at whole numbers, so the picture reaches half a pixel beyond the outer ones.
    cut = shapely.clip_by_rect(shapely.Polygon(corners), -0.5, -0.5, width - 0.5, height - 0.5)
    return shapely.get_coordinates(cut)[:-1] if cut.geom_type == "Polygon" and not cut.is_empty else np.zeros((0, 2))
