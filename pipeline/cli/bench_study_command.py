"""``clutchlight bench study``: networks trained alike but for one thing, on a GPU."""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from pipeline.cli.bench_report_output import write_bench_report
from pipeline.cli.error_handling import handle_errors
from pipeline.cli.metrics_output import report_metrics
from pipeline.cli.options import AsJson, Devices, Quiet, Traceback

if TYPE_CHECKING:
    from pipeline.studies.definition import StudyRun

__all__ = ["study"]


def study(
    name: Annotated[
        str | None,
        typer.Argument(
            metavar="[NAME]", help="A study of configs/studies, or the path of one of your own; else a list."
        ),
    ] = None,
    out: Annotated[
        Path, typer.Option("--out", metavar="DIR", help="Folder for networks and figures; created if missing.")
    ] = Path("study"),
    devices: Devices = None,
    quiet: Quiet = False,
    as_json: AsJson = False,
    traceback: Traceback = False,
) -> None:
    """Train the networks of a study, and measure all of them on phantoms that none was trained on.

    Without NAME, list the studies with the minutes of one GPU that each needs. The same command continues a study that
    was stopped. Several processes may run it at once on the same DIR, for example two on one large GPU: each takes the
    next run that none has begun, and the last one writes the report. The figures are printed and written to
    DIR/study.json, with plots in DIR/report.html, and with DIR/manifest.json. Speed is measured on this machine.
    """
    with handle_errors(traceback):
        from pipeline.settings import load_settings
        from pipeline.studies.definition import open_study, study_names
        from pipeline.studies.network_cost import network_costs
        from pipeline.studies.run_study import run_study, study_document, weights_of_run
        from pipeline.studies.study_sections import study_sections, study_table

        if name is None:
            for each in map(open_study, study_names()):
                typer.echo(
                    f"{each.name:<18}{len(each.runs):>3} runs, {each.gpu_minutes:>4.0f} minutes of one GPU: ", nl=False
                )
                typer.echo(each.definition.question)
            return
        known = open_study(name)

        def started(number: int, run: StudyRun) -> None:
            if not quiet:
                typer.echo(f"[{number}/{len(known.runs)}] {run.variant}, seed {run.seed}", err=True)

        results = run_study(known, out, lambda run, weights: _train(run, weights, devices, quiet=quiet), started)
        if results is None:
            typer.echo(f"Another process works on the rest of {out}, and will write the report.", err=True)
            return
        costs = network_costs([(run.settings, weights_of_run(out, run)) for run in known.runs])
        write_bench_report(
            out,
            "study.json",
            known.definition.title,
            known.definition.question,
            study_sections(known, results, costs),
            settings=load_settings(None),
            weights=None,
            data_sets={},
            seeds={run.name: run.seed for run in known.runs},
        )
        document = study_document(known, results, costs)
        report_metrics(out / "study.json", document, study_table(known, results, costs), as_json=as_json)


def _train(run: StudyRun, weights: Path, devices: int | None, *, quiet: bool) -> Mapping[str, Any]:
    """The held-out metrics of one run, with the largest batches that fit into the memory of the GPUs."""
    from pipeline.cli.training_runner import run_with_progress
    from synthetic.training.training_run import run_training

    metrics = run_with_progress(
        run.settings,
        lambda settings, used, report: run_training(settings, weights, devices=used, report=report),
        devices=devices,
        quiet=quiet,
    )
    return metrics.document()
