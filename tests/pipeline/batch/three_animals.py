"""Recordings of three animals, and a run over them."""

from __future__ import annotations

from pathlib import Path
from typing import Any

from pipeline.batch.run import run_batch
from pipeline.batch.run_report import BatchReport
from pipeline.batch.workers import DetectorLoader
from pipeline.settings import load_settings
from tests.pipeline.blob_finder import BlobFinder, write_exam_folder

__all__ = ["film_three_animals", "run"]

SETTINGS = load_settings().with_network_rate(0)  # every frame is the detector's own


def film_three_animals(root: Path) -> Path:
    """Eggs in both windows, none, and eggs in one window. Returns ``root``."""
    write_exam_folder(root, "AF-0001", {"left-1.mp4": 3, "right-1.mp4": 2}, seed=1)
    write_exam_folder(root, "AF-0002", {"left-1.mp4": 0}, seed=11)
    write_exam_folder(root, "AF-0003", {"left-1.mp4": 4}, seed=21)
    return root


def run(
    root: Path,
    out: Path,
    load_detector: DetectorLoader = BlobFinder,
    *,
    processes: int = 0,
    database: str = "",
    **options: Any,
) -> BatchReport:
    changed = SETTINGS.run.model_copy(update={"processes": processes, "database": database})
    settings = SETTINGS.model_copy(update={"run": changed})
    return run_batch(root, out, settings, load_detector, **options)
