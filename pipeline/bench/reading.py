"""How files are read, apart from what is found in them: damaged ones without harm, whole ones without delay."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from pipeline.bench.fuzz import FuzzFigures, fuzz
from pipeline.bench.speed import ReadingSpeed, measure_reading, reading_table
from pipeline.settings import Settings

__all__ = ["ReadingFigures", "try_reading"]


@dataclass(frozen=True)
class ReadingFigures:
    """damaged : None if none were read;  speeds : empty if none were taken"""

    damaged: FuzzFigures | None
    speeds: Sequence[ReadingSpeed]

    @property
    def is_harmless(self) -> bool:
        return self.damaged is None or not self.damaged.failures

    def document(self) -> dict[str, Any]:
        return {
            "schema": "clutchlight/reading/1",
            "damaged": None if self.damaged is None else self.damaged.document(),
            "speed": [each.document() for each in self.speeds],
        }

    def table(self) -> str:
        tables = [] if self.damaged is None else [self.damaged.table()]
        return "\n\n".join([*tables, *([reading_table(self.speeds)] if self.speeds else [])])


def try_reading(
    folder: Path,
    settings: Settings,
    *,
    damaged: int,
    seed: int,
    speed: bool,
    progress: Callable[[int, int], None] = lambda done, of: None,
) -> ReadingFigures:
    """Reads so many damaged files, and times whole ones if asked to; both are made under ``folder``."""
    figures = fuzz(folder / "damaged", damaged, seed, progress=progress) if damaged else None
    speeds = measure_reading(folder / "speed", settings, progress=progress) if speed else []
    return ReadingFigures(figures, speeds)
