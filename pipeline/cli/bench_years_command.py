"""``clutchlight bench years``: how the cost of a night grows with the exams of many years."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from pipeline.cli.error_handling import handle_errors
from pipeline.cli.metrics_output import report_metrics
from pipeline.cli.options import AsJson, Quiet, SettingsFile, Traceback

__all__ = ["measure_years"]


def measure_years(
    out: Annotated[Path, typer.Option("--out", metavar="DIR", help="Folder for metrics; created if missing.")],
    exams: Annotated[
        list[int] | None,
        typer.Argument(metavar="EXAMS", min=1, help="Numbers of exams; 1000, 10000 and 100000 by default."),
    ] = None,
    new_exams: Annotated[
        int, typer.Option("--new", metavar="N", min=1, help="New exams of the night that is not quiet.")
    ] = 500,
    settings: SettingsFile = None,
    quiet: Quiet = False,
    as_json: AsJson = False,
    traceback: Traceback = False,
) -> None:
    """Measure nights, look-ups and the review in folders with as many exams as years of nights leave.

    The exams are synthetic, without clips, and are made in DIR/synthetic and removed (100,000 take half an hour and 2
    GB). The metrics are printed, written to DIR/years.json and drawn in DIR/years.svg.
    """
    with handle_errors(traceback):
        from dataclasses import asdict

        from pipeline.cli.progress import show_step_progress
        from pipeline.night.growth import growth_table, measure_growth
        from pipeline.night.growth_plot import growth_svg
        from pipeline.settings import load_settings
        from pipeline.store.atomic_write import write_atomically

        numbers = exams or [1_000, 10_000, 100_000]
        with show_step_progress("Making exams", quiet=quiet) as step:
            figures = list(measure_growth(numbers, out / "synthetic", load_settings(settings), step, new_exams))
        write_atomically(out / "years.svg", [growth_svg(figures).encode()])
        report_metrics(out / "years.json", [asdict(each) for each in figures], growth_table(figures), as_json=as_json)
