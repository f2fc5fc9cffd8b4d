"""``clutchlight calibrate``: learn how far the stages, outlines and counts of a network can be trusted."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from pipeline.cli import batch_runner
from pipeline.cli.error_handling import handle_errors
from pipeline.cli.options import EngineName, EngineOption, Quiet, SettingsFile, Traceback, Weights, misused

if TYPE_CHECKING:
    from pipeline.batch.workers import DetectorLoader
    from pipeline.bench.ground_truth import DataSet
    from pipeline.settings import Settings

__all__ = ["calibrate"]


def calibrate(
    data_sets: Annotated[
        list[Path],
        typer.Argument(metavar="DATASET...", help="Folders with exams and ground truth, used for nothing else."),
    ],
    results: Annotated[Path, typer.Option("--results", metavar="DIR", help="Folder for the results of the batch.")],
    out: Annotated[
        Path,
        typer.Option(
            "--out", metavar="NAME.calibration.toml", help="The calibration; it belongs next to NAME.safetensors."
        ),
    ],
    counts_from: Annotated[
        list[Path] | None,
        typer.Option(
            "--counts-from",
            metavar="DATASET",
            help="Learn the counts from this data set instead, and stages and outlines from it as well; repeatable.",
        ),
    ] = None,
    settings: SettingsFile = None,
    engine: EngineOption = EngineName.OPENVINO,
    weights: Weights = None,
    quiet: Quiet = False,
    traceback: Traceback = False,
) -> None:
    """Learn from data sets with ground truth how far the stages, outlines and counts of a network can be trusted.

    A batch reads the calibration that is next to the weights and was learned for them. Learn it again after every
    change of the network, the tracker or the merging. The same command continues a run that was stopped, and reads no
    clip again that clutchlight bench accuracy has read into the same folder.
    """
    with handle_errors(traceback):
        import datetime as dt
        from functools import partial

        from models.weights_file import shipped_weights, weights_sha256
        from pipeline.bench.data_set_metrics import read_matched_eggs
        from pipeline.bench.ground_truth import open_data_set
        from pipeline.calibration.count_calibration import calibrate_counts, group_training_exams
        from pipeline.calibration.kind_weights import fit_kind_weights
        from pipeline.calibration.network_calibration import calibrate_network
        from pipeline.calibration.training_exams import TrainingExam, read_training_exams
        from pipeline.calibration_file import CALIBRATION_SUFFIX, calibration_path, calibration_toml
        from pipeline.formatting import plural
        from pipeline.settings import load_settings
        from pipeline.store.atomic_write import write_atomically

        if not out.name.endswith(CALIBRATION_SUFFIX):
            raise typer.Exit(misused(f"--out must end in {CALIBRATION_SUFFIX}; got {out}."))
        for_network = [open_data_set(folder) for folder in data_sets]
        for_counts = [open_data_set(folder) for folder in counts_from or []]
        # The first calibration of a network starts from the shipped one.
        loaded = load_settings(settings, weights=weights, allow_uncalibrated=True)
        load_detector = partial(batch_runner.load_detector, engine.value, weights, loaded)
        # Numbered as in `clutchlight bench accuracy`, so that neither reads a clip again.
        folders = [results / f"{number}-{each.name}" for number, each in enumerate([*for_network, *for_counts], 1)]

        eggs = []
        # Eggs of one clutch look alike, so stages need many animals: those for the counts, too.
        for data_set, folder in zip([*for_network, *for_counts], folders, strict=True):
            _run_batch(data_set, folder, loaded, load_detector, quiet=quiet)
            eggs += read_matched_eggs(data_set, folder)
        learned = loaded.calibration.model_copy(
            update={
                "weights_sha256": weights_sha256(weights or shipped_weights()),
                "command": _command(data_sets, counts_from or [], results, out, engine, weights),
                "date": dt.date.today(),
                "network": calibrate_network(eggs, previous=loaded.calibration.network.outline),
            }
        )

        training_exams: list[TrainingExam] = []
        first = len(for_network) if for_counts else 0
        for data_set, folder in zip(for_counts or for_network, folders[first:], strict=True):
            training_exams += read_training_exams(data_set, folder, load_detector, loaded)
        learned = learned.model_copy(update={"kind": fit_kind_weights(training_exams)})
        with_network = loaded.with_calibration(learned)
        counts = calibrate_counts(training_exams, group_training_exams(training_exams, with_network), with_network)
        learned = learned.model_copy(update={"counts": counts})

        write_atomically(out, [calibration_toml(learned).encode()])
        outline, previous = learned.network.outline, loaded.calibration.network.outline
        for kind, is_kept in (
            ("shelled eggs", outline.shelled == previous.shelled),
            ("follicles", outline.follicles == previous.follicles),
        ):
            if is_kept:
                typer.echo(
                    f"Too few passages through the middle of {kind} were found. The errors of their outlines are kept "
                    f"from the calibration of {loaded.calibration.date}. Add a data set with more animals.",
                    err=True,
                )
        if not quiet:
            passages = outline.shelled.passages + outline.follicles.passages
            typer.echo(
                f"Learned stages from {plural(learned.network.eggs, 'egg')}, "
                f"outlines from {plural(passages, 'passage')} "
                f"and counts from {plural(learned.counts.animals, 'animal')}; written to {out}"
            )
            wanted = calibration_path(weights or shipped_weights())
            if out.resolve() != wanted.resolve():
                typer.echo(f"A batch reads it from {wanted}")


def _run_batch(
    data_set: DataSet, folder: Path, settings: Settings, load_detector: DetectorLoader, *, quiet: bool
) -> None:
    from pipeline.batch.run import run_batch
    from pipeline.cli.progress import show_batch_progress

    with show_batch_progress(quiet=quiet) as on_event:
        run_batch(data_set.exams_root, folder, settings, load_detector, on_event=on_event)


def _command(
    data_sets: list[Path], counts_from: list[Path], results: Path, out: Path, engine: EngineName, weights: Path | None
) -> str:
    """The command as it is written into the file: names without their folders."""
    return " ".join(
        [
            "clutchlight calibrate",
            *(folder.name for folder in data_sets),
            *(f"--counts-from {folder.name}" for folder in counts_from),
            *([] if weights is None else [f"--weights {weights.name}"]),
            *([] if engine is EngineName.OPENVINO else [f"--engine {engine.value}"]),
            f"--results {results.name}",
            f"--out {out.name}",
        ]
    )
