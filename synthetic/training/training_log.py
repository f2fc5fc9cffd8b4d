"""How a training went: one line of a CSV file for every report."""

from __future__ import annotations

import csv
from collections.abc import Mapping
from pathlib import Path

__all__ = ["Curves"]


class Curves:
    """A CSV file that grows line by line; a run that goes on from an earlier step first forgets what came after it."""

    def __init__(self, path: Path, *, from_step: int) -> None:
        """Raises OSError where the file cannot be written."""
        self._path = path
        kept: list[dict[str, str]] = []
        if from_step and path.is_file():
            with path.open(newline="", encoding="utf-8") as file:
                kept = [row for row in csv.DictReader(file) if int(row["step"]) <= from_step]
        path.write_text("", encoding="utf-8")
        for row in kept:
            self._write(row)

    def add(self, values: Mapping[str, float]) -> None:
        """Values by name, ``step`` among them; NaN where something was not measured. The names never change."""
        self._write({name: "" if value != value else f"{value:.6g}" for name, value in values.items()})

    def _write(self, row: Mapping[str, str]) -> None:
        with self._path.open("a", newline="", encoding="utf-8") as file:
            writer = csv.DictWriter(file, list(row), lineterminator="\n")
            if not file.tell():
                writer.writeheader()
            writer.writerow(row)
