"""``clutchlight bench speed``: what each step of a night costs."""

from __future__ import annotations

import json
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import Annotated

import typer

from pipeline.cli import batch_runner
from pipeline.cli.error_handling import handle_errors
from pipeline.cli.options import AsJson, EngineName, EngineOption, Quiet, SettingsFile, Traceback, Weights

__all__ = ["measure_speed"]


def measure_speed(
    clip: Annotated[
        Path | None, typer.Argument(metavar="[CLIP]", help="A recording; without one a phantom is filmed.")
    ] = None,
    seconds: Annotated[int, typer.Option("--seconds", min=1, help="Length of the phantom's clip.")] = 60,
    tracks: Annotated[
        list[int] | None,
        typer.Option("--tracks", min=1, help="Also count a simulated exam with about so many tracks. Repeatable."),
    ] = None,
    settings: SettingsFile = None,
    engine: EngineOption = EngineName.OPENVINO,
    weights: Weights = None,
    quiet: Quiet = False,
    as_json: AsJson = False,
    traceback: Traceback = False,
) -> None:
    """Measure what each step costs a frame in processor time, beside bare decoding of the same clip.

    One thread reads the clip, counts, and writes the files of an exam, which are not kept. Processor time hardly
    depends on what else the computer does.
    """
    with handle_errors(traceback), TemporaryDirectory() as folder:
        from pipeline.bench.counting_speed import counting_speed_table, measure_counting_time
        from pipeline.cli.progress import show_step_progress
        from pipeline.speed.clip_costs import measure_clip

        loaded = batch_runner.load_run_settings(settings, weights, allow_uncalibrated=True)
        if clip is None:
            from pipeline.speed.film import film_phantom, write_clips

            with show_step_progress("Filming a simulated animal", quiet=quiet) as step:
                (clip,) = write_clips(Path(folder), film_phantom(step), [seconds])
        detector = batch_runner.load_detector(engine.value, weights, loaded.with_threads(1))
        with show_step_progress("Reading the clip", quiet=quiet):
            costs = measure_clip(clip, detector, loaded)
        times = [measure_counting_time(number, loaded) for number in tracks or ()]
        if as_json:
            exams = [each.document(costs.network_ms / 1e3) for each in times]
            typer.echo(json.dumps({"clip": costs.document(), "exams": exams}, indent=2))
        else:
            typer.echo(costs.table())
            if times:
                typer.echo(counting_speed_table(times, costs.network_ms / 1e3))
