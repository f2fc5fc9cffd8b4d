"""A batch as commands run it: with a detector on the chosen engine, and with progress on stderr."""

from __future__ import annotations

import socket
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING

import typer

from pipeline.batch.run_report import BatchReport
from pipeline.cli.options import EngineName

if TYPE_CHECKING:
    from pipeline.detect.detector import FrameDetector
    from pipeline.locations.location import Location
    from pipeline.settings import Settings
    from pipeline.worker.job_pool import OpenPool

__all__ = ["load_detector", "load_run_settings", "run_batch_with_progress"]


def load_detector(engine: str, weights: Path | None, settings: Settings) -> FrameDetector:
    """`pipeline.detect.detector_loading.load_detector`, imported only when a command needs it, because it is slow."""
    from pipeline.detect import detector_loading

    return detector_loading.load_detector(settings, weights, engine)


def load_run_settings(settings_file: Path | None, weights: Path | None, *, allow_uncalibrated: bool) -> Settings:
    """`pipeline.settings.load_settings`, with a warning on stderr where the weights have no calibration of their own.

    Raises CalibrationError where they have none and that is not allowed.
    """
    from pipeline.calibration_file import UNCALIBRATED_WARNING
    from pipeline.settings import load_settings

    settings = load_settings(settings_file, weights=weights, allow_uncalibrated=allow_uncalibrated)
    if not settings.is_calibrated:
        typer.echo(UNCALIBRATED_WARNING, err=True)
    return settings


def open_pool(cluster: str | None, out: Path) -> OpenPool:
    """Where clips are read. cluster : address of a Dask scheduler; None for this machine"""
    if cluster is None:
        from pipeline.worker.pool import open_worker_pool

        return open_worker_pool
    from pipeline.cluster.dask_pool import open_dask_pool

    return partial(open_dask_pool, cluster, f"{socket.gethostname()} {out.resolve()}")


def run_batch_with_progress(
    root: Location,
    out: Path,
    settings_file: Path | None,
    engine: EngineName,
    weights: Path | None,
    *,
    quiet: bool,
    force: bool = False,
    retry_refused: bool = False,
    verify: bool = False,
    cluster: str | None = None,
    allow_uncalibrated: bool = False,
) -> BatchReport:
    """`pipeline.night.unattended_run.run_unattended` with the options of a command.

    settings_file, weights : None for the shipped ones
    cluster : as in `open_pool`
    allow_uncalibrated : use the shipped calibration, with a warning on stderr, where the weights have none of their own

    Raises CalibrationError where they have none and that is not allowed.
    """
    from pipeline.cli.error_handling import exit_code_of
    from pipeline.cli.exit_codes import batch_exit_code
    from pipeline.cli.progress import show_batch_progress
    from pipeline.detect.network_key import network_key
    from pipeline.night.log_file import warnings_in_words
    from pipeline.night.unattended_run import run_unattended

    settings = load_run_settings(settings_file, weights, allow_uncalibrated=allow_uncalibrated)

    with show_batch_progress(quiet=quiet) as on_event, warnings_in_words():
        return run_unattended(
            root,
            out,
            settings,
            partial(load_detector, engine.value, weights, settings),
            exit_code=batch_exit_code,
            exit_code_of_error=exit_code_of,
            force=force,
            retry_refused=retry_refused,
            verify=verify,
            network_key=network_key(weights, engine.value),
            on_event=on_event,
            open_pool=open_pool(cluster, out),
        )
