"""Bright ovals with the outlines of experts: how many are found, and how near length and area come.

The folder holds ``truth.csv`` with a line for each picture: ``file``, ``mm_per_px``, ``mask`` (a picture of the same
size, not black inside the outline) and a column whose name ends in ``circumference_mm``. Each picture shows one oval.
"""

from __future__ import annotations

import csv
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from pathlib import Path

import cv2
import numpy as np

from models.ellipse import circumference
from models.evaluation_thresholds import MIN_OUTLINE_IOU
from pipeline.real_pictures.found_objects import FoundObjects, ObjectFinder
from pipeline.real_pictures.region_overlap import RealPicturesError, read_picture, region_overlaps

__all__ = ["OvalMetrics", "OvalPicture", "measure_ovals", "read_ovals"]


@dataclass(frozen=True)
class OvalPicture:
    """A picture with one oval. circumference_mm : as an expert drew it;  mask : its filled outline"""

    path: Path
    mm_per_px: float
    circumference_mm: float
    mask: Path


@dataclass(frozen=True)
class OvalMetrics:
    """The shelled outline that overlaps an oval best, in all pictures; None where nothing was found.

    refused : pictures that could not be used;  found : share of pictures whose oval it overlaps by half or more
    median_dice, mean_dice : over those found;  circumference_error_mm : mean absolute, likewise
    circumference_bias_mm : mean of ours minus the experts', likewise
    extra_per_picture : other shelled outlines;  follicles_per_picture : outlines of follicles
    """

    pictures: int
    refused: int
    found: float | None
    median_dice: float | None
    mean_dice: float | None
    circumference_error_mm: float | None
    circumference_bias_mm: float | None
    extra_per_picture: float | None
    follicles_per_picture: float | None


def read_ovals(folder: Path) -> list[OvalPicture]:
    """The pictures that ``truth.csv`` lists. Raises RealPicturesError if it is missing or wrong."""
    truth = folder / "truth.csv"
    try:
        with truth.open(newline="", encoding="utf-8") as file:
            rows = list(csv.DictReader(file))
        return [_oval(folder, row) for row in rows]
    except (OSError, ValueError, KeyError, StopIteration) as error:
        raise RealPicturesError(
            f"{truth} cannot be read ({error!r}). It needs a line for each picture, with file, mm_per_px, mask, and a "
            "column that ends in circumference_mm."
        ) from error


def measure_ovals(
    pictures: Sequence[OvalPicture], finder: ObjectFinder, progress: Callable[[int, int], None]
) -> OvalMetrics:
    """Look for the oval in each picture. Raises RealPicturesError for a mask of another size."""
    dice, errors, extra, follicles, refused = [], [], 0, 0, 0
    for done, picture in enumerate(pictures, 1):
        found = finder.in_file(picture.path)
        refused += found.refusal is not None
        follicles += int((~found.is_shelled).sum())
        best = _best(picture, found)
        extra += int(found.is_shelled.sum()) - (best is not None)
        if best is not None:
            dice.append(best[0])
            errors.append(best[1])
        progress(done, len(pictures))
    number = len(pictures)
    return OvalMetrics(
        pictures=number,
        refused=refused,
        found=len(dice) / number if number else None,
        median_dice=float(np.median(dice)) if dice else None,
        mean_dice=float(np.mean(dice)) if dice else None,
        circumference_error_mm=float(np.abs(errors).mean()) if errors else None,
        circumference_bias_mm=float(np.mean(errors)) if errors else None,
        extra_per_picture=extra / number if number else None,
        follicles_per_picture=follicles / number if number else None,
    )


def _oval(folder: Path, row: dict[str, str]) -> OvalPicture:
    length = next(value for name, value in row.items() if name and name.endswith("circumference_mm"))
    return OvalPicture(folder / row["file"], float(row["mm_per_px"]), float(length), folder / row["mask"])


def _best(picture: OvalPicture, found: FoundObjects) -> tuple[float, float] | None:
    """Dice's coefficient and error of the circumference, mm, of the best outline; None if none is near enough."""
    ellipses = found.ellipses[found.is_shelled]
    if not len(ellipses):
        return None
    region = read_picture(picture.mask, cv2.IMREAD_GRAYSCALE) > 0
    if region.shape != read_picture(picture.path, cv2.IMREAD_GRAYSCALE).shape:
        raise RealPicturesError(f"{picture.mask} has another size than {picture.path.name}. Copy both again.")
    overlaps, dice = region_overlaps(ellipses, region)
    best = int(dice.argmax())
    if overlaps[best] < MIN_OUTLINE_IOU:
        return None
    length_mm = float(circumference(ellipses[best])[0]) * picture.mm_per_px
    return float(dice[best]), length_mm - picture.circumference_mm
