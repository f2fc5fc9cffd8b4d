"""How well sectors are found on screens that show known ones: in clips, in stills, and where corners are cropped."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from pipeline.bench.input_files.simulated_screens import Filmed, filmed_machines
from pipeline.ingest.sector.sector import find_sector

__all__ = ["SectorFigures", "measure_sectors", "overlap", "sectors_table"]

# Frames that a sector is found from, over about as much of the sweep as is looked ahead.
FRAMES, APART = 6, 5
# Least and most of the sector's breadth and height that a crop leaves, and by how much of them it lies off the middle
# and begins below the face.
BREADTH, HEIGHT = (0.45, 0.95), (0.6, 1.0)
OFF, BELOW = 0.1, 0.3
POOR = 0.95


@dataclass(frozen=True)
class SectorFigures:
    """overlaps : intersection over union of each found sector with the true one, 0 where none was found
    fans : how many were called fans, as all of them are
    """

    shown: str
    overlaps: tuple[float, ...]
    fans: int

    @property
    def mean(self) -> float:
        return float(np.mean(self.overlaps))

    def document(self) -> dict[str, Any]:
        return {
            "shown": self.shown,
            "sectors": len(self.overlaps),
            "mean": round(self.mean, 4),
            "worst": round(min(self.overlaps), 4),
            "poor": self.poor,
            "fans": self.fans,
        }

    @property
    def poor(self) -> int:
        return sum(one < POOR for one in self.overlaps)


def measure_sectors(
    number: int, seed: int, progress: Callable[[int, int], None] = lambda done, of: None
) -> list[SectorFigures]:
    """Sectors of so many invented machines, found on screens full of rulers, words, bars and emblems."""
    found: dict[str, list[tuple[float, bool]]] = {"clip": [], "still": [], "clip, cropped": [], "still, cropped": []}
    rng = np.random.default_rng(seed)
    for done, filmed in enumerate(filmed_machines(number, seed, FRAMES, apart=APART), 1):
        cropped = _cropped(filmed, rng)
        for shown, held in zip(found.values(), (filmed, _still(filmed), cropped, _still(cropped)), strict=True):
            sector = find_sector(list(held.frames))
            shown.append((0.0, False) if sector is None else (overlap(sector.mask, held.sector), sector.kind == "fan"))
        progress(done, number)
    return [
        SectorFigures(shown, tuple(one for one, _ in each), sum(is_fan for _, is_fan in each))
        for shown, each in found.items()
    ]


def overlap(found: NDArray[np.bool_], true: NDArray[np.bool_]) -> float:
    """Intersection over union."""
    return float((found & true).sum() / (found | true).sum())


def sectors_table(figures: Sequence[SectorFigures]) -> str:
    head = f"{'':<16}{'sectors':>9}{'mean':>9}{'worst':>9}{f'< {POOR}':>9}{'fans':>9}"
    rows = [
        f"{one.shown:<16}{len(one.overlaps):>9}{one.mean:>9.3f}{min(one.overlaps):>9.3f}{one.poor:>9}{one.fans:>9}"
        for one in figures
    ]
    legend = "Overlap (intersection over union) of found sectors with those that invented machines, all convex, drew."
    return "\n".join([head, *rows, legend])


def _still(filmed: Filmed) -> Filmed:
    return Filmed(filmed.frames[:1], filmed.sector, filmed.mm_per_px)


def _cropped(filmed: Filmed, rng: np.random.Generator) -> Filmed:
    """Cut to a box within which the fan's sides and corners are partly gone."""
    rows, columns = np.flatnonzero(filmed.sector.any(axis=1)), np.flatnonzero(filmed.sector.any(axis=0))
    breadth, height = np.ptp(columns), np.ptp(rows)
    wide, high = breadth * rng.uniform(*BREADTH), height * rng.uniform(*HEIGHT)
    left = max(0, int(columns.mean() + rng.uniform(-OFF, OFF) * breadth - wide / 2))
    top = max(0, int(rows[0] + rng.uniform(0.0, BELOW) * height))
    cut = np.s_[top : min(int(top + high), rows[-1] + 1), left : int(left + wide)]
    return Filmed(filmed.frames[:, *cut], filmed.sector[cut], filmed.mm_per_px)
