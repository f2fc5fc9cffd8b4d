"""Tiny pictures of the kinds that are measured, with the truth beside them, and a file of a tracked sweep."""

from __future__ import annotations

import zlib
from collections.abc import Sequence
from pathlib import Path

import cv2
import numpy as np
from numpy.typing import NDArray

from pipeline.real_pictures.ovals import OvalPicture
from tests.pipeline.blob_finder import BRIGHT, film

__all__ = ["OVAL", "free_picture", "oval_picture", "write_look_alikes", "write_ovals", "write_sequence"]

OVAL = (80, 70, 24, 18)  # centre and semi-axes, px


def free_picture(seed: int) -> NDArray[np.uint8]:
    """Speckle in a rectangle on black."""
    return film(0, frames=1, seed=seed)[0]


def oval_picture(seed: int) -> NDArray[np.uint8]:
    """The same with one oval in it, dark within a bright wall."""
    picture = free_picture(seed)
    x, y, a, b = OVAL
    cv2.ellipse(picture, (x, y), (a, b), 0, 0, 360, BRIGHT, -1)
    cv2.ellipse(picture, (x, y), (a - 3, b - 3), 0, 0, 360, 30, -1)
    return picture


def _mask(colour: tuple[int, int, int]) -> NDArray[np.uint8]:
    mask = np.zeros((*free_picture(0).shape, 3), np.uint8)
    x, y, a, b = OVAL
    cv2.ellipse(mask, (x, y), (a, b), 0, 0, 360, colour, -1)
    return mask


def write_ovals(folder: Path, *, with_oval: Sequence[bool], mm_per_px: float, length_mm: float) -> list[OvalPicture]:
    """A folder of pictures with an outline, each with or without the oval in it."""
    folder.mkdir(parents=True)
    lines = ["file,mm_per_px,head_circumference_mm,mask\n"]
    for number, has_oval in enumerate(with_oval):
        cv2.imwrite(str(folder / f"{number}.png"), oval_picture(number) if has_oval else free_picture(number))
        cv2.imwrite(str(folder / f"{number}-mask.png"), _mask((255, 255, 255)))
        lines.append(f"{number}.png,{mm_per_px},{length_mm},{number}-mask.png\n")
    (folder / "truth.csv").write_text("".join(lines))
    return [
        OvalPicture(folder / f"{n}.png", mm_per_px, length_mm, folder / f"{n}-mask.png") for n in range(len(with_oval))
    ]


def write_look_alikes(folder: Path) -> None:
    """One picture of which the oval is a region in the mask, and another kind of region lies elsewhere."""
    exam = folder / "exams" / "VES-01" / "2026-05-03"
    exam.mkdir(parents=True)
    (folder / "masks").mkdir()
    cv2.imwrite(str(exam / "7.png"), oval_picture(1))
    mask = _mask((0, 128, 0))
    cv2.rectangle(mask, (130, 20), (160, 40), (0, 0, 128), -1)
    mask[0, 0] = (0, 0, 128)  # a slip of the pen
    cv2.imwrite(str(folder / "masks" / "VES-01.png"), mask)


def write_sequence(
    path: Path, pictures: NDArray[np.uint8], along_mm: Sequence[float], *, lost: Sequence[int] = ()
) -> None:
    """A MetaImage sequence whose probe moves along y of a reference that itself is turned and away from the tracker.

    lost : frames in which the tracker did not see the probe
    """
    frames, height, width = pictures.shape
    reference = np.array([[0, -1, 0, 40], [1, 0, 0, -7], [0, 0, 1, 12], [0, 0, 0, 1]], dtype=np.float64)
    data = zlib.compress(pictures.tobytes())
    lines = ["ObjectType = Image", "NDims = 3", "CompressedData = True", f"DimSize = {width} {height} {frames}"]
    lines += ["ElementType = MET_UCHAR"]
    for frame, place in enumerate(along_mm):
        probe = np.eye(4)
        probe[1, 3] = place
        in_tracker = reference @ probe
        for name, matrix in (("Probe", in_tracker), ("Reference", reference)):
            key = f"Seq_Frame{frame:04d}_{name}ToTrackerTransform"
            lines.append(f"{key} = {' '.join(f'{value:g}' for value in matrix.ravel())}")
            is_lost = name == "Probe" and frame in lost
            lines.append(f"{key}Status = {'INVALID' if is_lost else 'OK'}")
        lines.append(f"Seq_Frame{frame:04d}_Timestamp = {frame * 0.1:.3f}")
    lines.append("ElementDataFile = LOCAL")
    path.write_bytes("\n".join(lines).encode() + b"\n" + data)
