"""Pictures of real frames with the outlines that people answered for, changed a little each time they are shown.

The same few sweeps are shown many times, so each time the gain, the grey map, the sharpness, the side, the size and
the place are drawn anew, by albumentations; the probe stays at the top. Ellipses go along: only their middles and the
ends of their axes are carried over, which is exact while the picture is neither turned nor sheared.
"""

from __future__ import annotations

import math
from collections.abc import Iterable
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
import torch
from numpy.typing import NDArray
from torch import Tensor

from models.errors import ClutchlightError
from models.targets import Labels

__all__ = ["FrameLabels", "LabelledPictures", "LabelledStream", "LabelsError", "hold_back"]

# How far a picture is changed (judgement, no source): less than machines differ, since these are of one centre's own.
CONTRAST_LIMIT, GAMMA_PERCENT, BLUR_SIGMA_PX = 0.25, (70, 140), (0.3, 1.2)
SCALE_RANGE, SHIFT_RANGE = (0.85, 1.15), (-0.06, 0.06)  # of the picture's own


class LabelsError(ClutchlightError):
    """Labels that nothing can be learned from; the text names them and says what would do."""


@dataclass(frozen=True)
class FrameLabels:
    """What one frame shows. ellipses : (N, 5) float64, px of the picture;  stage : (N,) int64, see models.targets

    is_ignored : (N,) bool, of what nobody answered for: neither right nor wrong to find; the others are eggs
    animal : whose frame it is;  mm_per_px : of the picture, NaN if not known
    """

    animal: str
    ellipses: NDArray[np.float64]
    stage: NDArray[np.int64]
    is_ignored: NDArray[np.bool_]
    mm_per_px: float

    @property
    def has_eggs(self) -> bool:
        return not bool(self.is_ignored.all())


@dataclass(frozen=True)
class LabelledPictures:
    """pictures : (N, S, S) uint8, as the network sees them;  frame_labels : (N,) what they show, possibly nothing

    sha256 : of what the labels were read from
    """

    pictures: NDArray[np.uint8]
    frame_labels: tuple[FrameLabels, ...]
    sha256: str

    @property
    def animals(self) -> list[str]:
        return sorted({each.animal for each in self.frame_labels})

    def of(self, animals: Iterable[str]) -> LabelledPictures:
        """Those of some animals."""
        wanted = set(animals)
        rows = [index for index, each in enumerate(self.frame_labels) if each.animal in wanted]
        return LabelledPictures(self.pictures[rows], tuple(self.frame_labels[row] for row in rows), self.sha256)

    def batches(self, size: int, device: torch.device) -> Iterable[tuple[Tensor, Labels]]:
        """All pictures once, unchanged, (B, 1, S, S) in [0, 1], with their labels."""
        for start in range(0, len(self.pictures), size):
            rows = slice(start, start + size)
            yield _tensors(list(self.pictures[rows]), self.frame_labels[rows], self.max_outlines, device)

    @property
    def max_outlines(self) -> int:
        """The most outlines in any picture, but at least one."""
        return max(1, *(len(each.stage) for each in self.frame_labels)) if self.frame_labels else 1


def hold_back(labelled: LabelledPictures, share: float, rng: np.random.Generator) -> tuple[set[str], set[str]]:
    """The animals to learn from, and those to measure by; with and without eggs apart, so that both have both.

    Whole animals, since frames of one sweep are nearly the same. Raises LabelsError for fewer than two with eggs.
    """
    with_eggs = {each.animal for each in labelled.frame_labels if each.has_eggs}
    if len(with_eggs) < 2:
        raise LabelsError(
            f"The labels have outlines of {len(with_eggs)} animals. To learn from some and measure by others takes at "
            "least two, better ten: review and sign more exams, and write the labels again."
        )
    held: set[str] = set()
    for group, least in ((sorted(with_eggs), 1), (sorted(set(labelled.animals) - with_eggs), 0)):
        number = min(max(least, round(share * len(group))), len(group) - least)
        held |= {group[index] for index in rng.permutation(len(group))[:number]}
    return set(labelled.animals) - held, held


class LabelledStream:
    """Batches of changed pictures; each depends on the pictures, the seed and its own number alone."""

    def __init__(self, labelled: LabelledPictures, batch: int, seed: int, device: torch.device) -> None:
        self._labelled, self._batch, self._seed, self._device = labelled, batch, seed, device
        rows: dict[str, list[int]] = {}
        for index, each in enumerate(labelled.frame_labels):
            rows.setdefault(each.animal, []).append(index)
        self._of_animals = list(rows.values())
        self._change = _changes()

    def batch(self, number: int) -> tuple[Tensor, Labels]:
        """(B, 1, S, S) float32 in [0, 1], and the labels. An animal is drawn first, and then one of its frames, so
        that long recordings do not outweigh all others.
        """
        rng = np.random.default_rng([self._seed, number])
        self._change.set_random_seed(int(rng.integers(2**31)))
        pictures, frame_labels = [], []
        for _ in range(self._batch):
            frames = self._of_animals[int(rng.integers(len(self._of_animals)))]
            row = frames[int(rng.integers(len(frames)))]
            picture, eggs = self._changed(self._labelled.pictures[row], self._labelled.frame_labels[row])
            pictures.append(picture)
            frame_labels.append(eggs)
        return _tensors(pictures, frame_labels, self._labelled.max_outlines, self._device)

    def _changed(self, picture: NDArray[np.uint8], eggs: FrameLabels) -> tuple[NDArray[np.uint8], FrameLabels]:
        # Two more points, a pixel apart, tell how much the picture has grown, also where there are no eggs.
        shown = self._change(image=picture, keypoints=np.concatenate([_points(eggs.ellipses), [[0, 0], [1, 0]]]))
        points = np.asarray(shown["keypoints"], dtype=np.float64)
        grown = float(np.hypot(*(points[-1] - points[-2])))
        return shown["image"], replace(eggs, ellipses=_ellipses(points[:-2]), mm_per_px=eggs.mm_per_px / grown)


def _changes() -> Any:
    import albumentations  # heavy, and needed by few runs

    return albumentations.Compose(
        [
            albumentations.HorizontalFlip(p=0.5),
            albumentations.Affine(
                scale=SCALE_RANGE, translate_percent=SHIFT_RANGE, keep_ratio=True, rotate=0, shear=0, fill=0, p=0.8
            ),
            # Contrast alone multiplies, as a gain does: what is black outside the sector stays black.
            albumentations.RandomBrightnessContrast(brightness_limit=0, contrast_limit=CONTRAST_LIMIT, p=0.7),
            albumentations.RandomGamma(gamma_limit=GAMMA_PERCENT, p=0.7),
            albumentations.GaussianBlur(blur_limit=0, sigma_limit=BLUR_SIGMA_PX, p=0.3),
        ],
        keypoint_params=albumentations.KeypointParams(format="xy", remove_invisible=False),
    )


def _points(ellipses: NDArray[np.float64]) -> NDArray[np.float64]:
    """(N, 5) -> (3 N, 2): of each its middle, and an end of its longer and of its shorter axis."""
    cx, cy, a, b, degrees = ellipses.T
    along = np.stack([np.cos(np.radians(degrees)), np.sin(np.radians(degrees))], axis=1)  # (N, 2)
    across = np.stack([-along[:, 1], along[:, 0]], axis=1)
    middle = np.stack([cx, cy], axis=1)
    return np.stack([middle, middle + a[:, None] * along, middle + b[:, None] * across], axis=1).reshape(-1, 2)


def _ellipses(points: NDArray[np.float64]) -> NDArray[np.float64]:
    """The inverse of :func:`_points`, degrees in [-90, 90)."""
    middle, longer, shorter = points.reshape(-1, 3, 2).transpose(1, 0, 2)
    along, across = longer - middle, shorter - middle
    degrees = (np.degrees(np.arctan2(along[:, 1], along[:, 0])) + 90) % 180 - 90
    return np.column_stack([middle, np.hypot(*along.T), np.hypot(*across.T), degrees])


def _tensors(
    pictures: list[NDArray[np.uint8]], frame_labels: Iterable[FrameLabels], most: int, device: torch.device
) -> tuple[Tensor, Labels]:
    """Labels padded to ``most`` rows; what is open, or has its middle outside the picture, counts neither way."""
    number = len(pictures)
    ellipses, stage, role = np.ones((number, most, 5)), np.zeros((number, most), int), np.zeros((number, most), int)
    scales = np.full(number, math.nan)
    for row, each in enumerate(frame_labels):
        count = len(each.stage)
        ellipses[row, :count], stage[row, :count] = each.ellipses, each.stage
        middles = each.ellipses[:, :2]
        is_inside = ((middles >= -0.5) & (middles < pictures[row].shape[0] - 0.5)).all(axis=1)
        role[row, :count] = np.where(is_inside & ~each.is_ignored, 1, -1)
        scales[row] = each.mm_per_px
    grey = torch.from_numpy(np.stack(pictures)[:, None].astype(np.float32) / np.float32(255))
    labels = Labels(
        ellipses=torch.from_numpy(ellipses.astype(np.float32)).to(device),
        stage=torch.from_numpy(stage).to(device),
        role=torch.from_numpy(role).to(device),
        visible=torch.ones(number, most, device=device),
        mm_per_px=torch.from_numpy(scales.astype(np.float32)).to(device),
    )
    return grey.to(device), labels
