"""The batch as commands start it: a detector on the wanted engine, and progress on stderr."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

import typer

from pipeline.batch.events import BatchReport
from pipeline.cli.options import EngineName

if TYPE_CHECKING:
    from pipeline.scan.clip_scan import FrameDetector
    from pipeline.settings import Settings

__all__ = ["load_detector", "run_batch_with_progress"]


def load_detector(engine: str, weights: Path | None, settings: Settings) -> FrameDetector:
    """A network, by default the shipped one, on the engine of that name. Raises EngineError, WeightsError."""
    import os

    from models.runtime import make_engine, shipped_weights
    from pipeline.detect.detector import Detector

    threads = settings.run.threads or len(os.sched_getaffinity(0))
    return Detector(make_engine(engine, weights or shipped_weights(), threads=threads), settings.detect)


def run_batch_with_progress(
    root: Path,
    out: Path,
    settings_file: Path | None,
    engine: EngineName,
    weights: Path | None,
    *,
    quiet: bool,
    force: bool = False,
    export_probe_path: bool = False,
    allow_uncalibrated: bool = False,
) -> BatchReport:
    """export_probe_path : whatever the settings say of it
    allow_uncalibrated : use the shipped calibration, with a warning on stderr, where the weights have none of their own

    Raises CalibrationError where they have none and that is not allowed.
    """
    from pipeline.batch.run import run_batch
    from pipeline.calibration_file import UNCALIBRATED_WARNING
    from pipeline.cli.progress import show_batch_progress
    from pipeline.settings import load_settings

    settings = load_settings(settings_file, weights=weights, allow_uncalibrated=allow_uncalibrated)
    if not settings.is_calibrated:
        typer.echo(UNCALIBRATED_WARNING, err=True)
    settings = settings.with_probe_path() if export_probe_path else settings
    with show_batch_progress(quiet=quiet) as on_event:
        return run_batch(
            root,
            out,
            settings,
            lambda: load_detector(engine.value, weights, settings),
            force=force,
            on_event=on_event,
        )
