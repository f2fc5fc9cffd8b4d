"""All measurements of input files: damaged and hostile files, reading speed and sectors."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from pipeline.bench.input_files.fuzz import fuzz
from pipeline.bench.input_files.hostile_media import try_hostile_media
from pipeline.bench.input_files.reading_speed import ReadingSpeed, measure_reading_speed, reading_speed_table
from pipeline.bench.input_files.reading_trial import TrialReport
from pipeline.bench.input_files.sector_accuracy import SectorAccuracy, measure_sector_accuracy, sector_accuracy_table
from pipeline.settings import Settings

__all__ = ["InputReport", "measure_input_files"]


@dataclass(frozen=True)
class InputReport:
    """fuzzing, hostile : None if no damaged or hostile files were read;  speeds, sectors : empty if not measured"""

    fuzzing: TrialReport | None
    hostile: TrialReport | None
    speeds: Sequence[ReadingSpeed]
    sectors: Sequence[SectorAccuracy] = ()

    @property
    def passed(self) -> bool:
        """Whether no damaged and no hostile file did harm."""
        return not any(trial.failures for trial in (self.fuzzing, self.hostile) if trial is not None)

    def document(self) -> dict[str, Any]:
        """All measurements in types of JSON."""
        return {
            "schema": "clutchlight/reading/2",
            "damaged": None if self.fuzzing is None else self.fuzzing.document(),
            "hostile": None if self.hostile is None else self.hostile.document(),
            "speed": [each.document() for each in self.speeds],
            "sectors": [each.document() for each in self.sectors],
        }

    def table(self) -> str:
        """The tables of what was measured, one below the other."""
        tables = [trial.table() for trial in (self.fuzzing, self.hostile) if trial is not None]
        tables += [reading_speed_table(self.speeds)] if self.speeds else []
        tables += [sector_accuracy_table(self.sectors)] if self.sectors else []
        return "\n\n".join(tables)


def measure_input_files(
    folder: Path,
    settings: Settings,
    *,
    damaged_files: int = 0,
    hostile_media: int = 0,
    sectors: int = 0,
    reading_speed: bool = False,
    seed: int = 0,
    progress: Callable[[int, int], None] = lambda done, total: None,
) -> InputReport:
    """Measure what is asked for. Files are written under ``folder``.

    damaged_files, hostile_media : number of such files to read
    sectors : number of simulated machines whose sector is searched
    reading_speed : whether to time the reading of clips;  progress : called with the steps done and their total
    """
    fuzzing = fuzz(folder / "damaged", damaged_files, seed, settings, progress=progress) if damaged_files else None
    hostile = (
        try_hostile_media(folder / "hostile", hostile_media, seed, settings, progress=progress)
        if hostile_media
        else None
    )
    speeds = measure_reading_speed(folder / "speed", settings, progress=progress) if reading_speed else []
    accuracies = measure_sector_accuracy(sectors, seed, progress) if sectors else []
    return InputReport(fuzzing, hostile, speeds, accuracies)
