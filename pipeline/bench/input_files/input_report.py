"""How recordings are read, apart from what is found in them: damaged ones without harm, whole ones without delay, and
their sectors where they are.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from pipeline.bench.input_files.decode_speed import ReadingSpeed, measure_reading, reading_table
from pipeline.bench.input_files.fuzz import FuzzFigures, fuzz
from pipeline.bench.input_files.sector_accuracy import SectorFigures, measure_sectors, sectors_table
from pipeline.settings import Settings

__all__ = ["ReadingFigures", "try_reading"]


@dataclass(frozen=True)
class ReadingFigures:
    """damaged : None if none were read;  speeds, sectors : empty if none were taken"""

    damaged: FuzzFigures | None
    speeds: Sequence[ReadingSpeed]
    sectors: Sequence[SectorFigures] = ()

    @property
    def is_harmless(self) -> bool:
        return self.damaged is None or not self.damaged.failures

    def document(self) -> dict[str, Any]:
        return {
            "schema": "clutchlight/reading/1",
            "damaged": None if self.damaged is None else self.damaged.document(),
            "speed": [each.document() for each in self.speeds],
            "sectors": [each.document() for each in self.sectors],
        }

    def table(self) -> str:
        tables = [] if self.damaged is None else [self.damaged.table()]
        tables += [reading_table(self.speeds)] if self.speeds else []
        tables += [sectors_table(self.sectors)] if self.sectors else []
        return "\n\n".join(tables)


def try_reading(
    folder: Path,
    settings: Settings,
    *,
    damaged: int,
    seed: int,
    speed: bool,
    sectors: int = 0,
    progress: Callable[[int, int], None] = lambda done, of: None,
) -> ReadingFigures:
    """Reads so many damaged files, times whole ones if asked to, and finds the sectors of so many invented machines.

    Files are made under ``folder``.
    """
    figures = fuzz(folder / "damaged", damaged, seed, progress=progress) if damaged else None
    speeds = measure_reading(folder / "speed", settings, progress=progress) if speed else []
    found = measure_sectors(sectors, seed, progress) if sectors else []
    return ReadingFigures(figures, speeds, found)
