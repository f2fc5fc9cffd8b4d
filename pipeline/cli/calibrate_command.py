"""``clutchlight calibrate``: learn how far a network's stages, outlines and counts can be trusted."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from pipeline.cli import batch_runner
from pipeline.cli.batch_runner import run_batch_with_progress
from pipeline.cli.error_handling import handle_errors
from pipeline.cli.options import EngineName, EngineOption, Quiet, SettingsFile, Traceback, Weights

__all__ = ["calibrate"]


def calibrate(
    data_set: Annotated[
        Path, typer.Argument(metavar="DATASET", help="Folder with exams and truth, of phantoms used for nothing else.")
    ],
    results: Annotated[Path, typer.Option("--results", metavar="DIR", help="Where the batch over it is kept.")],
    out: Annotated[
        Path,
        typer.Option("--out", metavar="FILE.toml", help="Where the calibration goes: the shipped one, or your own."),
    ],
    settings: SettingsFile = None,
    engine: EngineOption = EngineName.OPENVINO,
    weights: Weights = None,
    quiet: Quiet = False,
    traceback: Traceback = False,
) -> None:
    """Learn from eggs whose truth is known how far the network's stages and outlines can be trusted.

    The file is a table of the settings: as configs/calibration.toml it holds for everybody, elsewhere with --settings.
    """
    with handle_errors(traceback):
        import datetime as dt

        from pipeline.bench.data_set_metrics import read_matched_eggs
        from pipeline.bench.ground_truth import open_data_set
        from pipeline.calibration.network_calibration import calibrate_network, network_calibration_toml
        from pipeline.settings import load_settings
        from pipeline.store.atomic_write import write_atomically

        known = open_data_set(data_set)
        run_batch_with_progress(
            known.exams_root, results, settings, engine, weights, quiet=quiet, export_probe_path=known.has_probe_paths
        )
        loaded = load_settings(settings)
        learned = calibrate_network(
            read_matched_eggs(known, results),
            command=f"clutchlight calibrate {data_set.name} --results {results.name} --out {out.name}",
            date=dt.date.today(),
            weights_sha256=batch_runner.load_detector(engine.value, weights, loaded).model.sha256,
            previous=loaded.calibration,
        )
        write_atomically(out, [network_calibration_toml(learned).encode()])
        if not quiet:
            passages = learned.outline.shelled.passages + learned.outline.follicle.passages
            typer.echo(f"Learned from {learned.eggs} eggs and {passages} passages; written to {out}")
