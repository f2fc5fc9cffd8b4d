"""The training log: a CSV file with one line per report."""

from __future__ import annotations

import csv
import math
from collections.abc import Mapping
from pathlib import Path

__all__ = ["TrainingLog"]


class TrainingLog:
    """A CSV file that grows line by line. A run that continues from an earlier step first removes all later lines."""

    def __init__(self, path: Path, *, from_step: int) -> None:
        """Raises OSError if the file cannot be written."""
        self._path = path
        kept: list[dict[str, str]] = []
        if from_step and path.is_file():
            with path.open(newline="", encoding="utf-8") as file:
                kept = [row for row in csv.DictReader(file) if int(row["step"]) <= from_step]
        path.write_text("", encoding="utf-8")
        for row in kept:
            self._write(row)

    def add(self, values: Mapping[str, float]) -> None:
        """Values by name, including ``step``; NaN for what was not measured. The names are the same in every call."""
        self._write({name: "" if math.isnan(value) else f"{value:.6g}" for name, value in values.items()})

    def _write(self, row: Mapping[str, str]) -> None:
        with self._path.open("a", newline="", encoding="utf-8") as file:
            writer = csv.DictWriter(file, list(row), lineterminator="\n")
            if not file.tell():
                writer.writeheader()
            writer.writerow(row)
