"""A folder that ``clutchlight labels`` wrote, read as pictures to learn from, cut and scaled as the detector does."""

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
    """One frame, of ``images`` of coco.json; further keys are for people."""

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
    image_id: int
    iscrowd: bool
    category_id: int = Field(ge=1, le=3)
    ellipse: tuple[float, float, float, float, float]


class _Document(BaseModel):
    images: list[_Image]
    annotations: list[_Annotation]


def read_labels(folder: Path, *, max_frames_per_clip: int) -> LabelledPictures:
    """All labelled frames, but of each clip so many at most, evenly spaced.

    Raises LabelsError, which names the file, for a folder that holds no labels, or others than ``clutchlight labels``
    writes.
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
            f"{file}{place and f', {place}'}: {first['msg']}. It was not written by clutchlight labels, or by an "
            "older one; write the labels again."
        ) from error
    if not document.images:
        raise LabelsError(f"{file} holds no frames. Sign exams on the vet's page, and write the labels again.")
    of_image: dict[int, list[_Annotation]] = defaultdict(list)
    for annotation in document.annotations:
        of_image[annotation.image_id].append(annotation)
    read = [_read(folder, image, of_image[image.id]) for image in _thinned(document.images, max_frames_per_clip)]
    pictures, frame_labels = zip(*read, strict=True)
    return LabelledPictures(np.stack(pictures), frame_labels, hashlib.sha256(content).hexdigest())


def _thinned(images: list[_Image], most: int) -> list[_Image]:
    of_clip: dict[tuple[str, str, str], list[_Image]] = defaultdict(list)
    for image in images:
        of_clip[image.animal, image.exam, image.clip].append(image)
    kept = []
    for clip in of_clip.values():
        clip.sort(key=lambda image: image.frame)
        kept += [clip[row] for row in np.unique(np.linspace(0, len(clip) - 1, most).round().astype(int))]
    return kept


def _read(folder: Path, image: _Image, annotations: list[_Annotation]) -> tuple[NDArray[np.uint8], FrameLabels]:
    path = folder / image.file_name
    grey = cv2.imread(str(path), cv2.IMREAD_GRAYSCALE)
    if grey is None:
        raise LabelsError(f"{path} is missing or no picture, though coco.json names it. Write the labels again.")
    x0, y0, x1, y1 = image.sector_box
    if not (0 <= x0 < x1 <= grey.shape[1] and 0 <= y0 < y1 <= grey.shape[0]):
        raise LabelsError(f"{path}: the sector {image.sector_box} does not lie in the picture. Write the labels again.")
    # The picture is black outside the sector already, so its box is all that is left to be known.
    mask = np.zeros(grey.shape, np.bool_)
    mask[y0:y1, x0:x1] = True
    transform = InputTransform(Sector("rectangle", mask, image.sector_box, upside_down=image.upside_down))
    picture = np.rint(transform.image_to_input(grey.astype(np.uint8)) * 255).astype(np.uint8)
    rows = np.array([annotation.ellipse for annotation in annotations], dtype=np.float64).reshape(-1, 5)
    stage = np.array([annotation.category_id - 1 for annotation in annotations], dtype=np.int64)
    is_ignored = np.array([annotation.iscrowd for annotation in annotations], dtype=np.bool_)
    grown = INPUT_SIDE_PX / max(x1 - x0, y1 - y0)
    scale = np.nan if image.mm_per_px is None else image.mm_per_px / grown
    return picture, FrameLabels(image.animal, transform.ellipses_to_input(rows), stage, is_ignored, scale)
