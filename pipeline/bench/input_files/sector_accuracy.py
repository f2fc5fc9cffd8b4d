"""How well sectors are found on simulated screens: in clips, in stills, and where corners are cropped."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from pipeline.bench.input_files.simulated_screens import SimulatedScreen, simulated_screens
from pipeline.ingest.sector.sector import find_sector

__all__ = ["SectorAccuracy", "mask_iou", "measure_sector_accuracy", "sector_accuracy_table"]

# A sector is found from 6 frames that are 5 frames of the sweep apart: together about the part that is read ahead.
FRAMES, FRAME_STEP = 6, 5
POOR_IOU = 0.95


@dataclass(frozen=True)
class _Crop:
    """How pictures are cropped, in shares of the sector's width and height. No source.

    width_share, height_share : least and most that remains
    max_shift_share : of the width, from the middle;  max_top_share : of the height, from the probe's face
    """

    width_share: tuple[float, float] = (0.45, 0.95)
    height_share: tuple[float, float] = (0.6, 1.0)
    max_shift_share: float = 0.1
    max_top_share: float = 0.3


_CROP = _Crop()


@dataclass(frozen=True)
class SectorAccuracy:
    """The accuracy in one condition.

    condition : whether clips or stills, and whether cropped
    ious : intersection over union of each found sector with the true one, 0 where none was found
    fans : number of sectors found as fans; all true sectors are fans
    """

    condition: str
    ious: tuple[float, ...]
    fans: int

    @property
    def mean(self) -> float:
        return float(np.mean(self.ious))

    def document(self) -> dict[str, Any]:
        """The accuracy in types of JSON."""
        return {
            "shown": self.condition,
            "sectors": len(self.ious),
            "mean": round(self.mean, 4),
            "worst": round(min(self.ious), 4),
            "poor": self.poor,
            "fans": self.fans,
        }

    @property
    def poor(self) -> int:
        """The number of sectors with a lower overlap than ``POOR_IOU``."""
        return sum(iou < POOR_IOU for iou in self.ious)


def measure_sector_accuracy(
    number: int, seed: int, progress: Callable[[int, int], None] = lambda done, total: None
) -> list[SectorAccuracy]:
    """Find the sectors of that many simulated machines, on screens with rulers, texts, bars and logos."""
    found: dict[str, list[tuple[float, bool]]] = {"clip": [], "still": [], "clip, cropped": [], "still, cropped": []}
    rng = np.random.default_rng(seed)
    for done, screen in enumerate(simulated_screens(number, seed, FRAMES, frame_step=FRAME_STEP), 1):
        cropped = _cropped(screen, rng)
        for ious, shown in zip(found.values(), (screen, _still(screen), cropped, _still(cropped)), strict=True):
            sector = find_sector(list(shown.frames))
            ious.append(
                (0.0, False) if sector is None else (mask_iou(sector.mask, shown.sector_mask), sector.kind == "fan")
            )
        progress(done, number)
    return [
        SectorAccuracy(condition, tuple(iou for iou, _ in each), sum(is_fan for _, is_fan in each))
        for condition, each in found.items()
    ]


def mask_iou(found: NDArray[np.bool_], true: NDArray[np.bool_]) -> float:
    """Intersection over union of two (H, W) masks."""
    return float((found & true).sum() / (found | true).sum())


def sector_accuracy_table(accuracies: Sequence[SectorAccuracy]) -> str:
    """One line for each condition, and a legend."""
    heading = f"{'':<16}{'sectors':>9}{'mean':>9}{'worst':>9}{f'< {POOR_IOU}':>9}{'fans':>9}"
    rows = [
        f"{each.condition:<16}{len(each.ious):>9}{each.mean:>9.3f}{min(each.ious):>9.3f}{each.poor:>9}{each.fans:>9}"
        for each in accuracies
    ]
    legend = "Intersection over union of found sectors with those of simulated machines. All true sectors are fans."
    return "\n".join([heading, *rows, legend])


def _still(screen: SimulatedScreen) -> SimulatedScreen:
    return SimulatedScreen(screen.frames[:1], screen.sector_mask, screen.mm_per_px)


def _cropped(screen: SimulatedScreen, rng: np.random.Generator) -> SimulatedScreen:
    """The screen cropped to a box, so that sides and corners of the fan are partly missing."""
    rows, columns = np.flatnonzero(screen.sector_mask.any(axis=1)), np.flatnonzero(screen.sector_mask.any(axis=0))
    width, height = np.ptp(columns), np.ptp(rows)
    crop_width, crop_height = width * rng.uniform(*_CROP.width_share), height * rng.uniform(*_CROP.height_share)
    left = max(
        0, int(columns.mean() + rng.uniform(-_CROP.max_shift_share, _CROP.max_shift_share) * width - crop_width / 2)
    )
    top = max(0, int(rows[0] + rng.uniform(0.0, _CROP.max_top_share) * height))
    crop = np.s_[top : min(int(top + crop_height), rows[-1] + 1), left : int(left + crop_width)]
    return SimulatedScreen(screen.frames[:, *crop], screen.sector_mask[crop], screen.mm_per_px)
