"""``clutchlight bench real-pictures``: the detector and the counting on real pictures that somebody has."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from pipeline.cli import batch_runner
from pipeline.cli.error_handling import handle_errors
from pipeline.cli.metrics_output import report_metrics
from pipeline.cli.options import (
    AllowUncalibrated,
    AsJson,
    EngineName,
    EngineOption,
    Quiet,
    SettingsFile,
    Traceback,
    Weights,
    misused,
)

if TYPE_CHECKING:
    from pipeline.cli.progress import StepProgress

__all__ = ["measure_on_real_pictures"]


def measure_on_real_pictures(
    out: Annotated[Path, typer.Option("--out", metavar="DIR", help="Folder for the figures; created if missing.")],
    ovals: Annotated[
        list[Path] | None,
        typer.Option(
            "--ovals",
            metavar="DIR",
            help="Pictures of one bright oval each, with a truth.csv: file, mm_per_px, mask, and a column that ends in "
            "circumference_mm. Repeatable.",
        ),
    ] = None,
    egg_free: Annotated[
        list[Path] | None,
        typer.Option(
            "--egg-free", metavar="DIR", help="Clips and pictures that show no egg and no follicle. Repeatable."
        ),
    ] = None,
    look_alikes: Annotated[
        list[Path] | None,
        typer.Option(
            "--look-alikes",
            metavar="DIR",
            help="Pictures with round regions that are no follicles, such as vessels, and their outlines filled with "
            "a colour in DIR/masks/NAME.png. Repeatable.",
        ),
    ] = None,
    tracked_sweeps: Annotated[
        list[Path] | None,
        typer.Option(
            "--tracked-sweeps",
            metavar="DIR",
            help="MetaImage sequences (.mha) whose headers hold the probe's pose in each frame. Repeatable.",
        ),
    ] = None,
    strips: Annotated[
        int,
        typer.Option(
            "--constructed-motion",
            metavar="N",
            min=0,
            help="Slide a window over N strips with no, one and two ovals each, made of the pictures of --ovals and "
            "--egg-free.",
        ),
    ] = 0,
    seed: Annotated[int, typer.Option("--seed", min=0, help="Seed of the strips.")] = 0,
    settings: SettingsFile = None,
    engine: EngineOption = EngineName.OPENVINO,
    weights: Weights = None,
    allow_uncalibrated: AllowUncalibrated = False,
    quiet: Quiet = False,
    as_json: AsJson = False,
    traceback: Traceback = False,
) -> None:
    """Measure what is found in real pictures: ovals with outlines of experts, nothing, look-alikes, tracked sweeps.

    Nothing is trained or tuned on them, and nothing of them is kept. The metrics are printed and written to
    DIR/real-pictures.json.
    """
    with handle_errors(traceback):
        from pipeline.cli.progress import show_step_progress
        from pipeline.real_pictures.folders import RealPictureFolders, measure_real_pictures
        from pipeline.real_pictures.found_objects import ObjectFinder
        from pipeline.real_pictures.table import real_pictures_table

        folders = RealPictureFolders(ovals or (), egg_free or (), look_alikes or (), tracked_sweeps or (), strips, seed)
        if not any((ovals, egg_free, look_alikes, tracked_sweeps)):
            raise typer.Exit(
                misused("Name a folder with --ovals, --egg-free, --look-alikes or --tracked-sweeps, or several.")
            )
        if strips and not (ovals and egg_free):
            raise typer.Exit(misused("--constructed-motion needs pictures of --ovals and of --egg-free."))
        loaded = batch_runner.load_run_settings(settings, weights, allow_uncalibrated=allow_uncalibrated)
        finder = ObjectFinder(batch_runner.load_detector(engine.value, weights, loaded), loaded)

        @contextmanager
        def progress(name: str) -> Iterator[StepProgress]:
            with show_step_progress(name, quiet=quiet) as step:
                yield step

        metrics = measure_real_pictures(folders, finder, progress)
        report_metrics(out / "real-pictures.json", metrics.document(), real_pictures_table(metrics), as_json=as_json)
