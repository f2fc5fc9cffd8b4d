"""Pictures of real frames with the outlines that people confirmed, augmented each time they are used.

There are few sweeps and each is used many times, so the gain, the grey map, the sharpness, the side, the size and the
position are drawn anew each time, by albumentations. The probe stays at the top. Ellipses are transformed by their
centre and one end of each axis, which is exact as long as the picture is neither rotated nor sheared.
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

from models.device_group import ALONE, DeviceGroup
from models.ellipse import wrap_degrees
from models.errors import ClutchlightError
from models.targets import Labels, Role
from synthetic.training.augmentation_library import import_albumentations

__all__ = ["FrameLabels", "LabelledPictures", "LabelledStream", "LabelsError", "hold_back"]


@dataclass(frozen=True)
class _Augmentation:
    """How much a picture is changed: less than machines differ, since the pictures are those of one centre.

    Judgement, no source. contrast : largest relative change;  gamma_percent, blur_sigma_px : from, to
    scale, shift : from, to, relative to the picture's size
    """

    contrast: float = 0.25
    gamma_percent: tuple[int, int] = (70, 140)
    blur_sigma_px: tuple[float, float] = (0.3, 1.2)
    scale: tuple[float, float] = (0.85, 1.15)
    shift: tuple[float, float] = (-0.06, 0.06)


_AUGMENTATION = _Augmentation()


class LabelsError(ClutchlightError):
    """Labels that a network cannot be trained on; the text says why and what would help."""


@dataclass(frozen=True)
class FrameLabels:
    """What one frame shows. ellipses : (N, 5) float64, px of the picture;  stage : (N,) int64, see models.targets

    is_ignored : (N,) bool, outlines that nobody has reviewed: neither right nor wrong to find; all others are eggs
    animal : whose frame it is;  mm_per_px : of the picture, NaN if unknown
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

    sha256 : of the files that the labels were read from
    """

    pictures: NDArray[np.uint8]
    frame_labels: tuple[FrameLabels, ...]
    sha256: str

    @property
    def animals(self) -> list[str]:
        return sorted({each.animal for each in self.frame_labels})

    def of(self, animals: Iterable[str]) -> LabelledPictures:
        """The pictures of some animals."""
        chosen = set(animals)
        rows = [index for index, each in enumerate(self.frame_labels) if each.animal in chosen]
        return LabelledPictures(self.pictures[rows], tuple(self.frame_labels[row] for row in rows), self.sha256)

    def batches(self, size: int, device: torch.device) -> Iterable[tuple[Tensor, Labels]]:
        """All pictures once and unchanged, (B, 1, S, S) in [0, 1], with their labels."""
        for start in range(0, len(self.pictures), size):
            rows = slice(start, start + size)
            yield _to_tensors(list(self.pictures[rows]), self.frame_labels[rows], self.max_outlines, device)

    @property
    def max_outlines(self) -> int:
        """The largest number of outlines in one picture, at least 1."""
        return max(1, *(len(each.stage) for each in self.frame_labels)) if self.frame_labels else 1


def hold_back(labelled: LabelledPictures, share: float, rng: np.random.Generator) -> tuple[set[str], set[str]]:
    """The animals to train on and the animals to measure on.

    Animals with and without eggs are split separately, so that both parts have both. Whole animals are held back, since
    the frames of one sweep are nearly the same. Raises LabelsError for fewer than two animals with eggs.
    """
    with_eggs = {each.animal for each in labelled.frame_labels if each.has_eggs}
    if len(with_eggs) < 2:
        raise LabelsError(
            f"The labels have outlines of {len(with_eggs)} animals. At least two are needed, to train on some and "
            "measure on others; ten are better. Review and sign more exams, then write the labels again."
        )
    held: set[str] = set()
    for group, least in ((sorted(with_eggs), 1), (sorted(set(labelled.animals) - with_eggs), 0)):
        number = min(max(least, round(share * len(group))), len(group) - least)
        held |= {group[index] for index in rng.permutation(len(group))[:number]}
    return set(labelled.animals) - held, held


class LabelledStream:
    """Batches of augmented pictures; each depends only on the pictures, the seed and its own number."""

    def __init__(
        self, labelled: LabelledPictures, batch: int, seed: int, device: torch.device, group: DeviceGroup = ALONE
    ) -> None:
        """batch : pictures per batch, of which each device of the group draws its share"""
        self._labelled, self._batch, self._device = labelled, group.share(batch), device
        self._seed, self._seed_key = seed, group.seed_key
        rows: dict[str, list[int]] = {}
        for index, each in enumerate(labelled.frame_labels):
            rows.setdefault(each.animal, []).append(index)
        self._rows_of_animals = list(rows.values())
        self._augmentation = _augmentation()

    def batch(self, number: int) -> tuple[Tensor, Labels]:
        """(B, 1, S, S) float32 in [0, 1], and the labels.

        An animal is drawn first and then one of its frames, so that long recordings do not outweigh the others.
        """
        rng = np.random.default_rng([self._seed, number, *self._seed_key])
        self._augmentation.set_random_seed(int(rng.integers(2**31)))
        pictures, frame_labels = [], []
        for _ in range(self._batch):
            rows = self._rows_of_animals[int(rng.integers(len(self._rows_of_animals)))]
            row = rows[int(rng.integers(len(rows)))]
            picture, labels = self._augmented(self._labelled.pictures[row], self._labelled.frame_labels[row])
            pictures.append(picture)
            frame_labels.append(labels)
        return _to_tensors(pictures, frame_labels, self._labelled.max_outlines, self._device)

    def _augmented(self, picture: NDArray[np.uint8], labels: FrameLabels) -> tuple[NDArray[np.uint8], FrameLabels]:
        # Two extra points, one pixel apart, give the change of scale, also in pictures without eggs.
        keypoints = np.concatenate([_points(labels.ellipses), [[0, 0], [1, 0]]])
        changed = self._augmentation(image=picture, keypoints=keypoints)
        points = np.asarray(changed["keypoints"], dtype=np.float64)
        scale = float(np.hypot(*(points[-1] - points[-2])))
        mm_per_px = labels.mm_per_px / scale
        return changed["image"], replace(labels, ellipses=_ellipses(points[:-2]), mm_per_px=mm_per_px)


def _augmentation() -> Any:
    albumentations = import_albumentations()
    ranges = _AUGMENTATION
    return albumentations.Compose(
        [
            albumentations.HorizontalFlip(p=0.5),
            albumentations.Affine(
                scale=ranges.scale, translate_percent=ranges.shift, keep_ratio=True, rotate=0, shear=0, fill=0, p=0.8
            ),
            # A change of contrast alone multiplies, as gain does: the black outside the sector stays black.
            albumentations.RandomBrightnessContrast(brightness_limit=0, contrast_limit=ranges.contrast, p=0.7),
            albumentations.RandomGamma(gamma_limit=ranges.gamma_percent, p=0.7),
            albumentations.GaussianBlur(blur_limit=0, sigma_limit=ranges.blur_sigma_px, p=0.3),
        ],
        keypoint_params=albumentations.KeypointParams(format="xy", remove_invisible=False),
    )


def _points(ellipses: NDArray[np.float64]) -> NDArray[np.float64]:
    """(N, 5) -> (3 N, 2): the centre of each ellipse, one end of its longer and one of its shorter axis."""
    cx, cy, a, b, degrees = ellipses.T
    along = np.stack([np.cos(np.radians(degrees)), np.sin(np.radians(degrees))], axis=1)  # (N, 2)
    across = np.stack([-along[:, 1], along[:, 0]], axis=1)
    centre = np.stack([cx, cy], axis=1)
    return np.stack([centre, centre + a[:, None] * along, centre + b[:, None] * across], axis=1).reshape(-1, 2)


def _ellipses(points: NDArray[np.float64]) -> NDArray[np.float64]:
    """The inverse of :func:`_points`."""
    centre, longer_end, shorter_end = points.reshape(-1, 3, 2).transpose(1, 0, 2)
    along, across = longer_end - centre, shorter_end - centre
    degrees = wrap_degrees(np.degrees(np.arctan2(along[:, 1], along[:, 0])))
    return np.column_stack([centre, np.hypot(*along.T), np.hypot(*across.T), degrees])


def _to_tensors(
    pictures: list[NDArray[np.uint8]], frame_labels: Iterable[FrameLabels], max_outlines: int, device: torch.device
) -> tuple[Tensor, Labels]:
    """Pictures and labels padded to ``max_outlines`` rows.

    Outlines that nobody has reviewed, and those whose centre lies outside the picture, are ignored.
    """
    number = len(pictures)
    shape = (number, max_outlines)
    ellipses, stage, role = np.ones((*shape, 5)), np.zeros(shape, int), np.full(shape, Role.EMPTY, dtype=int)
    scales = np.full(number, math.nan)
    for row, each in enumerate(frame_labels):
        count = len(each.stage)
        ellipses[row, :count], stage[row, :count] = each.ellipses, each.stage
        centres = each.ellipses[:, :2]
        is_inside = ((centres >= -0.5) & (centres < pictures[row].shape[0] - 0.5)).all(axis=1)
        role[row, :count] = np.where(is_inside & ~each.is_ignored, Role.TARGET, Role.IGNORED)
        scales[row] = each.mm_per_px
    grey = torch.from_numpy(np.stack(pictures)[:, None].astype(np.float32) / np.float32(255))
    labels = Labels(
        ellipses=torch.from_numpy(ellipses.astype(np.float32)).to(device),
        stage=torch.from_numpy(stage).to(device),
        role=torch.from_numpy(role).to(device),
        visible=torch.ones(number, max_outlines, device=device),
        mm_per_px=torch.from_numpy(scales.astype(np.float32)).to(device),
    )
    return grey.to(device), labels
