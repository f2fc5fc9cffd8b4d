"""``clutchlight bench frame-rates``, ``worlds`` and ``turns``: what counts depend on that should not matter."""

from __future__ import annotations

from functools import partial
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
)

if TYPE_CHECKING:
    from pipeline.batch.workers import DetectorLoader
    from pipeline.bench.ground_truth import DataSet
    from pipeline.settings import Settings

__all__ = ["measure_frame_rates", "measure_turns", "measure_worlds"]

DataSets = Annotated[
    list[Path], typer.Argument(metavar="DATASET...", help="Folders with exams and ground truth, each animal once.")
]
Out = Annotated[Path, typer.Option("--out", metavar="DIR", help="Folder for the metrics; created if missing.")]
OutWithScans = Annotated[
    Path,
    typer.Option(
        "--out",
        metavar="DIR",
        help="Folder for scans and metrics. Clips that clutchlight bench accuracy read into it are not read again.",
    ),
]


def measure_frame_rates(
    data_sets: DataSets,
    out: Out,
    settings: SettingsFile = None,
    engine: EngineOption = EngineName.OPENVINO,
    weights: Weights = None,
    allow_uncalibrated: AllowUncalibrated = False,
    quiet: Quiet = False,
    as_json: AsJson = False,
    traceback: Traceback = False,
) -> None:
    """Count the same clips at every frame, every second, third and fifth, and compare the counts.

    How densely a sweep was filmed should not matter. Each frame is detected once. The metrics are printed and written
    to DIR/frame-rates.json.
    """
    with handle_errors(traceback):
        from pipeline.bench.frame_rates import count_at_rates, frame_rate_document, frame_rate_table
        from pipeline.cli.progress import show_step_progress

        known, loaded, load_detector = _open(
            data_sets, settings, weights, engine, allow_uncalibrated=allow_uncalibrated
        )
        detector, documents, tables = load_detector(), [], []
        for data_set in known:
            with show_step_progress(f"Reading {data_set.name} at each rate", quiet=quiet) as step:
                animals = count_at_rates(data_set, detector, loaded, progress=step)
            documents.append(frame_rate_document(data_set.name, animals))
            tables.append(frame_rate_table(data_set.name, animals))
        report_metrics(out / "frame-rates.json", documents, "\n\n".join(tables), as_json=as_json)


def measure_worlds(
    data_sets: DataSets,
    out: OutWithScans,
    settings: SettingsFile = None,
    engine: EngineOption = EngineName.OPENVINO,
    weights: Weights = None,
    allow_uncalibrated: AllowUncalibrated = False,
    quiet: Quiet = False,
    as_json: AsJson = False,
    traceback: Traceback = False,
) -> None:
    """Learn the counting from all simulated worlds but one and test it on that one, each in turn.

    animals.json says of which hand, physics and screen each animal is. The network and the calibration of its stages
    stay. The metrics are printed and written to DIR/worlds.json.
    """
    with handle_errors(traceback):
        from pipeline.calibration.training_exams import read_training_exams
        from pipeline.calibration.worlds_left_out import KnownExam, leave_worlds_out, worlds_document, worlds_table
        from pipeline.cli.progress import show_step_progress

        known, loaded, load_detector = _open(
            data_sets, settings, weights, engine, allow_uncalibrated=allow_uncalibrated
        )
        exams: list[KnownExam] = []
        for number, data_set in enumerate(known, 1):
            with show_step_progress(f"Reading {data_set.name}", quiet=quiet) as step:
                exams += [
                    KnownExam(training, data_set.animals[training.exam.animal])
                    for training in read_training_exams(
                        data_set,
                        out / f"{number}-{data_set.name}",
                        load_detector,
                        loaded,
                        step,
                    )
                ]
        metrics = leave_worlds_out(exams, loaded)
        report_metrics(out / "worlds.json", worlds_document(metrics), worlds_table(metrics), as_json=as_json)


def measure_turns(
    data_sets: DataSets,
    out: OutWithScans,
    settings: SettingsFile = None,
    engine: EngineOption = EngineName.OPENVINO,
    weights: Weights = None,
    quiet: Quiet = False,
    as_json: AsJson = False,
    traceback: Traceback = False,
) -> None:
    """Compare the turns of the probe that are found in each clip with the true ones.

    Clips whose turns animals.json does not name, and clips that cannot be read, are left out. The metrics are printed
    and written to DIR/turns.json.
    """
    with handle_errors(traceback):
        from dataclasses import asdict

        from pipeline.batch.exam_scans import read_exam_scans
        from pipeline.bench.turn_metrics import ClipTurns, reported_turns, turn_metrics, turn_table
        from pipeline.cli.progress import show_step_progress
        from pipeline.exams.exam_search import find_exams

        known, loaded, load_detector = _open(data_sets, settings, weights, engine, allow_uncalibrated=True)
        documents, tables = [], []
        for number, data_set in enumerate(known, 1):
            exams, turns = find_exams(data_set.exams_root).exams, []
            scans_of_exams = read_exam_scans(
                exams,
                out / f"{number}-{data_set.name}",
                load_detector,
                loaded,
            )
            with show_step_progress(f"Reading {data_set.name}", quiet=quiet) as step:
                for done, (exam, scans) in enumerate(scans_of_exams, 1):
                    for scan in scans:
                        true = data_set.animals[exam.animal].clips.get(scan.file)
                        if scan.status == "done" and true is not None and true.turns is not None:
                            turns.append(ClipTurns(true.turns, tuple(reported_turns(scan.tracks))))
                    step(done, len(exams))
            metrics = turn_metrics(turns)
            documents.append({"name": data_set.name, **asdict(metrics)})
            tables.append(turn_table(data_set.name, metrics))
        report_metrics(out / "turns.json", documents, "\n".join(tables), as_json=as_json)


def _open(
    folders: list[Path], settings: Path | None, weights: Path | None, engine: EngineName, *, allow_uncalibrated: bool
) -> tuple[list[DataSet], Settings, DetectorLoader]:
    """The data sets, and what reads their clips."""
    from pipeline.bench.ground_truth import open_data_set

    known = [open_data_set(folder) for folder in folders]
    loaded = batch_runner.load_run_settings(settings, weights, allow_uncalibrated=allow_uncalibrated)
    return known, loaded, partial(batch_runner.load_detector, engine.value, weights, loaded)
