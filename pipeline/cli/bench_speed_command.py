"""``clutchlight bench speed``: what each step of a night costs."""

from __future__ import annotations

import json
from functools import partial
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import Annotated

import typer

from pipeline.cli import batch_runner
from pipeline.cli.error_handling import handle_errors
from pipeline.cli.options import AsJson, EngineName, EngineOption, Quiet, SettingsFile, Traceback, Weights, misused

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
    nights: Annotated[
        list[str] | None,
        typer.Option(
            "--night",
            metavar="CLIPSxSECONDS",
            help="Also run a whole batch on so many clips of a phantom, such as 10x4. Repeatable.",
        ),
    ] = None,
    plot: Annotated[
        Path | None, typer.Option("--plot", metavar="FILE", help="Draw the costs of the batches as an SVG.")
    ] = None,
    hours: Annotated[
        float | None,
        typer.Option(
            "--hours",
            min=0.0,
            help="Also calculate what so many hours of clips like those of --night take on 10, 100 and 1,000 cores. "
            "With several nights, what every night costs is left out.",
        ),
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
    depends on what else the computer does; the times of whole nights, which use all cores, do.
    """
    if plot is not None and not nights:
        raise typer.Exit(misused("--plot draws the batches of --night, and none is given."))
    with handle_errors(traceback), TemporaryDirectory() as folder:
        from pipeline.bench.counting_speed import counting_speed_table, measure_counting_time
        from pipeline.cli.progress import show_step_progress
        from pipeline.speed.clip_costs import USUAL_FRAME_RATE, measure_clip
        from pipeline.speed.night_costs import cluster_table, measure_night, nights_svg, nights_table

        loaded = batch_runner.load_run_settings(settings, weights, allow_uncalibrated=True)
        lengths = [_clip_lengths(night) for night in nights or ()]
        roots = [Path(folder) / str(number) for number in range(len(lengths))]
        if clip is None or lengths:
            from pipeline.speed.film import film_phantom, write_clips

            with show_step_progress("Filming a simulated animal", quiet=quiet) as step:
                film = film_phantom(step)
            if clip is None:
                (clip,) = write_clips(Path(folder) / "clip", film, [seconds])
            for root, seconds_of_clips in zip(roots, lengths, strict=True):
                write_clips(root, film, seconds_of_clips)
        detector = batch_runner.load_detector(engine.value, weights, loaded.with_threads(1))
        with show_step_progress("Reading the clip", quiet=quiet):
            costs = measure_clip(clip, detector, loaded)
        load_detector = partial(batch_runner.load_detector, engine.value, weights, loaded)
        with show_step_progress("Reading whole nights", quiet=quiet or not roots):
            batches = [measure_night(root, load_detector, loaded) for root in roots]
        if plot is not None:
            from pipeline.store.atomic_write import write_atomically

            write_atomically(plot, [nights_svg(batches).encode()])
        times = [measure_counting_time(number, loaded) for number in tracks or ()]
        if as_json:
            exams = [each.document(costs.network_ms / 1e3) for each in times]
            typer.echo(
                json.dumps(
                    {"clip": costs.document(), "nights": [each.document() for each in batches], "exams": exams},
                    indent=2,
                )
            )
        else:
            typer.echo(costs.table())
            if batches:
                typer.echo(nights_table(batches, USUAL_FRAME_RATE))
            if batches and hours is not None:
                typer.echo(cluster_table(batches, hours, USUAL_FRAME_RATE))
            if times:
                typer.echo(counting_speed_table(times, costs.network_ms / 1e3))


def _clip_lengths(night: str) -> list[int]:
    """Seconds of each clip, from "10x4"."""
    clips, _, seconds = night.partition("x")
    if not (clips.isdecimal() and seconds.isdecimal() and int(clips) and int(seconds)):
        raise typer.Exit(misused(f"--night is CLIPSxSECONDS, such as 10x4, not {night!r}."))
    return [int(seconds)] * int(clips)
