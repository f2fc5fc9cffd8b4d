"""Regions that look like follicles and are none, such as cross-sections of vessels: how many are taken for one.

The folder holds pictures, and in ``masks`` a picture of the same size for each: a ``.png`` named as the picture or as
one of the folders that hold it. It is black but for the regions; regions of one colour are of one kind.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path

import cv2
import numpy as np
from numpy.typing import NDArray

from models.evaluation_thresholds import MIN_OUTLINE_IOU
from pipeline.real_pictures.found_objects import ObjectFinder, recordings_under
from pipeline.real_pictures.region_overlap import RealPicturesError, read_picture, region_overlaps

__all__ = ["LookAlikeMetrics", "LookAlikePicture", "measure_look_alikes", "read_look_alikes"]

_MIN_AREA_SHARE = 1e-4  # of the picture; a smaller region is a slip of the pen. Common practice, no source


@dataclass(frozen=True)
class LookAlikePicture:
    """path : of the picture;  mask : of its regions"""

    path: Path
    mask: Path


@dataclass(frozen=True)
class LookAlikeMetrics:
    """The regions of one colour. colour : as ``#rrggbb``;  regions : their number
    as_follicles, as_shelled : how many an outline of this kind overlaps by half or more
    """

    colour: str
    regions: int
    as_follicles: int
    as_shelled: int


def read_look_alikes(folder: Path) -> list[LookAlikePicture]:
    """The pictures that have a mask. Raises RealPicturesError if none has."""
    masks = {path.stem: path for path in sorted((folder / "masks").glob("*.png"))}
    pictures = []
    for path in recordings_under(folder, without=[folder / "masks"]):
        names = [path.stem, *(each.name for each in path.relative_to(folder).parents)]
        pictures += [LookAlikePicture(path, masks[name]) for name in names if name in masks][:1]
    if not pictures:
        raise RealPicturesError(f"{folder} has no picture with a mask. Put masks into {folder / 'masks'}.")
    return pictures


def measure_look_alikes(
    pictures: Sequence[LookAlikePicture], finder: ObjectFinder, progress: Callable[[int, int], None]
) -> list[LookAlikeMetrics]:
    """For each colour, in order of its name. Raises RealPicturesError for a mask of another size."""
    taken: dict[str, list[tuple[bool, bool]]] = {}
    for done, picture in enumerate(pictures, 1):
        found = finder.in_file(picture.path)
        mask = read_picture(picture.mask, cv2.IMREAD_COLOR)
        if mask.shape[:2] != read_picture(picture.path, cv2.IMREAD_GRAYSCALE).shape:
            raise RealPicturesError(f"{picture.mask} has another size than {picture.path.name}. Copy both again.")
        for colour, region in _regions(mask):
            is_covered = region_overlaps(found.ellipses, region)[0] >= MIN_OUTLINE_IOU
            both = bool((is_covered & ~found.is_shelled).any()), bool((is_covered & found.is_shelled).any())
            taken.setdefault(colour, []).append(both)
        progress(done, len(pictures))
    return [
        LookAlikeMetrics(colour, len(each), sum(f for f, _ in each), sum(s for _, s in each))
        for colour, each in sorted(taken.items())
    ]


def _regions(mask: NDArray[np.uint8]) -> Iterator[tuple[str, NDArray[np.bool_]]]:
    """Colour and pixels (H, W) of each connected region of a mask (H, W, 3) in OpenCV's order of colours."""
    for blue, green, red in np.unique(mask.reshape(-1, 3), axis=0).tolist():
        if not (blue or green or red):
            continue
        of_colour = (mask == (blue, green, red)).all(axis=2).astype(np.uint8)
        number, labels, stats, _ = cv2.connectedComponentsWithStats(of_colour)
        for label in range(1, number):
            if stats[label, cv2.CC_STAT_AREA] >= _MIN_AREA_SHARE * of_colour.size:
                yield f"#{red:02x}{green:02x}{blue:02x}", labels == label
