"""Reads a folder written by ``clutchlight labels`` as training pictures, cropped and scaled as the detector does."""

from __future__ import annotations

import hashlib
from collections import defaultdict
from pathlib import Path

import cv2
import numpy as np
from numpy.typing import NDArray
from pydantic import BaseModel, Field, ValidationError

from models.output_channels import INPUT_SIDE_PX
from pipeline.detect.detector import InputTransform
from pipeline.ingest.sector.sector import Sector
from synthetic.training.labelled_pictures import FrameLabels, LabelledPictures, LabelsError

__all__ = ["read_labels"]


class _Image(BaseModel):
    """One entry of ``images`` in coco.json. Its further keys are for people."""

    id: int
    file_name: str
    animal: str
    exam: str
    clip: str
    frame: int
    mm_per_px: float | None
    sector_box: tuple[int, int, int, int]
    upside_down: bool


class _Annotation(BaseModel):
    """One entry of ``annotations``. ellipse : [cx, cy, semi-major, semi-minor, degrees], px of the image"""

    image_id: int
    iscrowd: bool
    category_id: int = Field(ge=1, le=3)
    ellipse: tuple[float, float, float, float, float]


class _Document(BaseModel):
    images: list[_Image]
    annotations: list[_Annotation]


def read_labels(folder: Path, *, max_frames_per_clip: int) -> LabelledPictures:
    """All labelled frames; of each clip at most ``max_frames_per_clip``, evenly spaced.

    Raises LabelsError, which names the file, if the folder has no labels or was not written by ``clutchlight labels``.
    """
    file = folder / "coco.json"
    try:
        content = file.read_bytes()
    except OSError as error:
        raise LabelsError(
            f"{file} cannot be read ({error.strerror}). Name a folder written by clutchlight labels."
        ) from error
    try:
        document = _Document.model_validate_json(content)
    except ValidationError as error:
        first = error.errors()[0]
        place = ".".join(map(str, first["loc"]))
        raise LabelsError(
            f"{file}{place and f', {place}'}: {first['msg']}. It was not written by this version of clutchlight "
            "labels. Write the labels again."
        ) from error
    if not document.images:
        raise LabelsError(f"{file} holds no frames. Sign exams on the review page, and write the labels again.")
    by_image: dict[int, list[_Annotation]] = defaultdict(list)
    for annotation in document.annotations:
        by_image[annotation.image_id].append(annotation)
    read = [
        _read_frame(folder, image, by_image[image.id]) for image in _evenly_spaced(document.images, max_frames_per_clip)
    ]
    pictures, frame_labels = zip(*read, strict=True)
    return LabelledPictures(np.stack(pictures), frame_labels, hashlib.sha256(content).hexdigest())


def _evenly_spaced(images: list[_Image], max_frames_per_clip: int) -> list[_Image]:
    by_clip: dict[tuple[str, str, str], list[_Image]] = defaultdict(list)
    for image in images:
        by_clip[image.animal, image.exam, image.clip].append(image)
    chosen = []
    for clip in by_clip.values():
        clip.sort(key=lambda image: image.frame)
        rows = np.unique(np.linspace(0, len(clip) - 1, max_frames_per_clip).round().astype(int))
        chosen += [clip[row] for row in rows]
    return chosen


def _read_frame(folder: Path, image: _Image, annotations: list[_Annotation]) -> tuple[NDArray[np.uint8], FrameLabels]:
    """The picture as the network sees it, (S, S) uint8, and its labels."""
    path = folder / image.file_name
    grey = cv2.imread(str(path), cv2.IMREAD_GRAYSCALE)
    if grey is None:
        raise LabelsError(f"{path} is missing or not a picture, but coco.json names it. Write the labels again.")
    x0, y0, x1, y1 = image.sector_box
    if not (0 <= x0 < x1 <= grey.shape[1] and 0 <= y0 < y1 <= grey.shape[0]):
        raise LabelsError(f"{path}: the sector {image.sector_box} is outside the picture. Write the labels again.")
    # The picture is already black outside the sector, so the box of the sector is enough.
    mask = np.zeros(grey.shape, np.bool_)
    mask[y0:y1, x0:x1] = True
    transform = InputTransform(Sector("rectangle", mask, image.sector_box, upside_down=image.upside_down))
    picture = np.rint(transform.image_to_input(grey.astype(np.uint8)) * 255).astype(np.uint8)
    ellipses = np.array([annotation.ellipse for annotation in annotations], dtype=np.float64).reshape(-1, 5)
    stage = np.array([annotation.category_id - 1 for annotation in annotations], dtype=np.int64)
    is_ignored = np.array([annotation.iscrowd for annotation in annotations], dtype=np.bool_)
    magnification = INPUT_SIDE_PX / max(x1 - x0, y1 - y0)
    mm_per_px = np.nan if image.mm_per_px is None else image.mm_per_px / magnification
    return picture, FrameLabels(image.animal, transform.ellipses_to_input(ellipses), stage, is_ignored, mm_per_px)
