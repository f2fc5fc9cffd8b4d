"""The output folders of a batch, and the ``result.json`` of each exam in them."""

from __future__ import annotations

import json
from collections.abc import Iterable
from pathlib import Path
from typing import Any

__all__ = ["read_result", "read_results", "result_folders"]


def result_folders(results: Path) -> dict[tuple[str, str], Path]:
    """The output folder of each exam of a batch, by animal and date of the exam."""
    folders = [path.parent for path in sorted(results.glob("*/*/result.json"))]
    return {
        (result["animal"], result["exam"]): folder
        for folder, result in zip(folders, read_results(folders), strict=True)
    }


def read_results(folders: Iterable[Path]) -> list[dict[str, Any]]:
    """The ``result.json`` of each exam's output folder."""
    return [read_result(folder) for folder in folders]


def read_result(folder: Path) -> dict[str, Any]:
    """The ``result.json`` of an exam's output folder."""
    document: dict[str, Any] = json.loads((folder / "result.json").read_text(encoding="utf-8"))
    return document
