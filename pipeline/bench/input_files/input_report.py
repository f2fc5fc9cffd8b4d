"""How recordings are read, apart from what is found in them: damaged ones without harm, whole ones without delay, and
their sectors where they are.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from pipeline.bench.input_files.fuzz import FuzzReport, fuzz
from pipeline.bench.input_files.reading_speed import ReadingSpeed, measure_reading_speed, reading_speed_table
from pipeline.bench.input_files.sector_accuracy import SectorAccuracy, measure_sector_accuracy, sector_accuracy_table
from pipeline.settings import Settings

__all__ = ["InputReport", "measure_input_files"]


@dataclass(frozen=True)
class InputReport:
    """fuzzing : None if none were read;  speeds, sectors : empty if none were taken"""

    fuzzing: FuzzReport | None
    speeds: Sequence[ReadingSpeed]
    sectors: Sequence[SectorAccuracy] = ()

    @property
    def passed_fuzzing(self) -> bool:
        return self.fuzzing is None or not self.fuzzing.failures

    def document(self) -> dict[str, Any]:
        return {
            "schema": "clutchlight/reading/1",
            "damaged": None if self.fuzzing is None else self.fuzzing.document(),
            "speed": [each.document() for each in self.speeds],
            "sectors": [each.document() for each in self.sectors],
        }

    def table(self) -> str:
        tables = [] if self.fuzzing is None else [self.fuzzing.table()]
        tables += [reading_speed_table(self.speeds)] if self.speeds else []
        tables += [sector_accuracy_table(self.sectors)] if self.sectors else []
        return "\n\n".join(tables)


def measure_input_files(
    folder: Path,
    settings: Settings,
    *,
    fuzz_cases: int,
    seed: int,
    speed: bool,
    sectors: int = 0,
    progress: Callable[[int, int], None] = lambda done, of: None,
) -> InputReport:
    """Reads so many damaged files, times whole ones if asked to, and finds the sectors of so many invented machines.

    Files are made under ``folder``.
    """
    figures = fuzz(folder / "damaged", fuzz_cases, seed, progress=progress) if fuzz_cases else None
    speeds = measure_reading_speed(folder / "speed", settings, progress=progress) if speed else []
    found = measure_sector_accuracy(sectors, seed, progress) if sectors else []
    return InputReport(figures, speeds, found)
