"""How well sectors are found on screens that show known ones: in clips, in stills, and where corners are cropped."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from pipeline.bench.input_files.simulated_screens import SimulatedScreen, simulated_screens
from pipeline.ingest.sector.sector import find_sector

__all__ = ["SectorAccuracy", "mask_iou", "measure_sector_accuracy", "sector_accuracy_table"]

# Frames that a sector is found from, over about as much of the sweep as is looked ahead.
FRAMES, FRAME_STEP = 6, 5
# Least and most of the sector's breadth and height that a crop leaves, and by how much of them it lies off the middle
# and begins below the face.
CROP_WIDTH_SHARES, CROP_HEIGHT_SHARES = (0.45, 0.95), (0.6, 1.0)
CROP_MAX_SHIFT_SHARE, CROP_MAX_TOP_SHARE = 0.1, 0.3
POOR_IOU = 0.95


@dataclass(frozen=True)
class SectorAccuracy:
    """ious : intersection over union of each found sector with the true one, 0 where none was found
    fans : how many were called fans, as all of them are
    """

    condition: str
    ious: tuple[float, ...]
    fans: int

    @property
    def mean(self) -> float:
        return float(np.mean(self.ious))

    def document(self) -> dict[str, Any]:
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
        return sum(one < POOR_IOU for one in self.ious)


def measure_sector_accuracy(
    number: int, seed: int, progress: Callable[[int, int], None] = lambda done, of: None
) -> list[SectorAccuracy]:
    """Sectors of so many invented machines, found on screens full of rulers, words, bars and emblems."""
    found: dict[str, list[tuple[float, bool]]] = {"clip": [], "still": [], "clip, cropped": [], "still, cropped": []}
    rng = np.random.default_rng(seed)
    for done, filmed in enumerate(simulated_screens(number, seed, FRAMES, frame_step=FRAME_STEP), 1):
        cropped = _cropped(filmed, rng)
        for shown, held in zip(found.values(), (filmed, _still(filmed), cropped, _still(cropped)), strict=True):
            sector = find_sector(list(held.frames))
            shown.append(
                (0.0, False) if sector is None else (mask_iou(sector.mask, held.sector_mask), sector.kind == "fan")
            )
        progress(done, number)
    return [
        SectorAccuracy(shown, tuple(one for one, _ in each), sum(is_fan for _, is_fan in each))
        for shown, each in found.items()
    ]


def mask_iou(found: NDArray[np.bool_], true: NDArray[np.bool_]) -> float:
    """Intersection over union."""
    return float((found & true).sum() / (found | true).sum())


def sector_accuracy_table(figures: Sequence[SectorAccuracy]) -> str:
    head = f"{'':<16}{'sectors':>9}{'mean':>9}{'worst':>9}{f'< {POOR_IOU}':>9}{'fans':>9}"
    rows = [
        f"{one.condition:<16}{len(one.ious):>9}{one.mean:>9.3f}{min(one.ious):>9.3f}{one.poor:>9}{one.fans:>9}"
        for one in figures
    ]
    legend = "Overlap (intersection over union) of found sectors with those that invented machines, all convex, drew."
    return "\n".join([head, *rows, legend])


def _still(filmed: SimulatedScreen) -> SimulatedScreen:
    return SimulatedScreen(filmed.frames[:1], filmed.sector_mask, filmed.mm_per_px)


def _cropped(filmed: SimulatedScreen, rng: np.random.Generator) -> SimulatedScreen:
    """Cut to a box within which the fan's sides and corners are partly gone."""
    rows, columns = np.flatnonzero(filmed.sector_mask.any(axis=1)), np.flatnonzero(filmed.sector_mask.any(axis=0))
    breadth, height = np.ptp(columns), np.ptp(rows)
    wide, high = breadth * rng.uniform(*CROP_WIDTH_SHARES), height * rng.uniform(*CROP_HEIGHT_SHARES)
    left = max(0, int(columns.mean() + rng.uniform(-CROP_MAX_SHIFT_SHARE, CROP_MAX_SHIFT_SHARE) * breadth - wide / 2))
    top = max(0, int(rows[0] + rng.uniform(0.0, CROP_MAX_TOP_SHARE) * height))
    cut = np.s_[top : min(int(top + high), rows[-1] + 1), left : int(left + wide)]
    return SimulatedScreen(filmed.frames[:, *cut], filmed.sector_mask[cut], filmed.mm_per_px)
