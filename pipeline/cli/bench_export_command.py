"""``clutchlight bench export``: a data set in formats that other programs read."""

from __future__ import annotations

from enum import StrEnum
from pathlib import Path
from typing import Annotated

import typer

from pipeline.cli.error_handling import handle_errors
from pipeline.cli.options import Quiet, SettingsFile, Traceback, misused

__all__ = ["ExportFormat", "export_data_set"]


class ExportFormat(StrEnum):
    COCO = "coco"
    MOT = "mot"
    YOLO = "yolo"
    IMAGE_FOLDER = "image-folder"


def export_data_set(
    data_set: Annotated[Path, typer.Argument(metavar="DATASET", help="Folder with exams and ground truth.")],
    out: Annotated[Path, typer.Option("--out", metavar="DIR", help="Folder to write; it must be empty or missing.")],
    form: Annotated[
        ExportFormat,
        typer.Option(
            "--format",
            help="coco; mot: MOTChallenge folders; yolo: YOLO segmentation; image-folder: Hugging Face, with a card.",
        ),
    ],
    every: Annotated[
        int, typer.Option("--every", min=1, help="Only each Nth frame of a clip; for mot all are needed.")
    ] = 1,
    settings: SettingsFile = None,
    quiet: Quiet = False,
    traceback: Traceback = False,
) -> None:
    """Write the frames of a data set as PNG, with the true outlines in a public format.

    README.md is a data card, and croissant.json says the same to programs (Croissant 1.0).
    Where a format has splits, all clips of an animal are on one side.
    """
    with handle_errors(traceback):
        import datetime as dt

        from pipeline.bench.export.exported_clips import exported_clips
        from pipeline.bench.export.formats import WRITERS
        from pipeline.bench.export.metadata_files import write_metadata
        from pipeline.bench.ground_truth import open_data_set
        from pipeline.cli.progress import show_step_progress
        from pipeline.settings import load_settings

        if form is ExportFormat.MOT and every != 1:
            raise typer.Exit(misused("--format mot needs all frames. Leave out --every."))
        if out.exists() and (not out.is_dir() or any(out.iterdir())):
            raise typer.Exit(misused(f"{out} is not empty. Name a new folder with --out."))
        known, loaded = open_data_set(data_set), load_settings(settings)
        with show_step_progress(f"Writing {known.name}", quiet=quiet) as step:
            WRITERS[form](known, exported_clips(known, loaded.ingest, every=every, progress=step), out)
        write_metadata(known, form, out, dt.date.today())
