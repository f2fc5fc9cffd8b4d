"""``clutchlight bench speed``: what each step of a night costs."""

from __future__ import annotations

import json
from collections.abc import Sequence
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
            help="Also run a whole batch on so many clips of so many seconds, such as 10x4: the first ten seconds of "
            "CLIP, or of the phantom, there and back. Repeatable.",
        ),
    ] = None,
    network_rates: Annotated[
        list[float] | None,
        typer.Option(
            "--network-rate",
            metavar="N",
            min=0.0,
            help="Measure all of it with network_frames_per_second = N; 0: all. Repeatable; else as the settings say.",
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
        from models.weights_file import shipped_weights
        from pipeline.bench.counting_speed import counting_speed_table, measure_counting_time
        from pipeline.cli.progress import show_step_progress
        from pipeline.speed.clip_costs import USUAL_FRAME_RATE, measure_clip
        from pipeline.speed.network_costs import measure_network
        from pipeline.speed.night_costs import cluster_table, measure_night, nights_svg
        from pipeline.speed.night_table import nights_table

        loaded = batch_runner.load_run_settings(settings, weights, allow_uncalibrated=True)
        choices = [loaded.with_network_rate(rate) for rate in network_rates or ()] or [loaded]
        lengths = [_clip_lengths(night) for night in nights or ()]
        clip, roots = _written_clips(Path(folder), clip, seconds, lengths, quiet=quiet)
        network = measure_network(engine.value, weights or shipped_weights(), loaded.detect.batch_frames)
        detector = batch_runner.load_detector(engine.value, weights, loaded.with_threads(1))
        with show_step_progress("Reading the clip", quiet=quiet):
            costs = [measure_clip(clip, detector, choice) for choice in choices]
        with show_step_progress("Reading whole nights", quiet=quiet or not roots):
            batches = [
                measure_night(root, partial(batch_runner.load_detector, engine.value, weights, choice), choice)
                for root in roots
                for choice in choices
            ]
        if plot is not None:
            from pipeline.store.atomic_write import write_atomically

            write_atomically(plot, [nights_svg(batches).encode()])
        times = [measure_counting_time(number, loaded) for number in tracks or ()]
        if as_json:
            document = {
                "network": network.document(),
                "clips": [each.document() for each in costs],
                "nights": [each.document() for each in batches],
                "exams": [each.document(costs[0].network_ms / 1e3) for each in times],
            }
            typer.echo(json.dumps(document, indent=2))
        else:
            typer.echo(network.table())
            for each in costs:
                typer.echo(each.table())
            if batches:
                typer.echo(nights_table(batches, USUAL_FRAME_RATE, costs[0].bare_ms_per_frame))
            if batches and hours is not None:
                typer.echo(cluster_table(batches, hours, USUAL_FRAME_RATE))
            if times:
                typer.echo(counting_speed_table(times, costs[0].network_ms / 1e3))


def _written_clips(
    folder: Path, clip: Path | None, seconds: int, nights: Sequence[Sequence[int]], *, quiet: bool
) -> tuple[Path, list[Path]]:
    """The clip to read, and a folder of exams for each night, written into ``folder`` from the clip or a phantom.

    seconds : of the phantom's clip, where none is given;  nights : seconds of the clips of each
    """
    from pipeline.cli.progress import show_step_progress

    if clip is not None and not nights:
        return clip, []
    from pipeline.speed.film import film_phantom, read_film, write_clips  # needs what films phantoms

    if clip is None:
        with show_step_progress("Filming a simulated animal", quiet=quiet) as step:
            film = film_phantom(step)
        (clip,) = write_clips(folder / "clip", film, [seconds])
    else:
        film = read_film(clip)
    roots = [folder / str(number) for number in range(len(nights))]
    for root, seconds_of_clips in zip(roots, nights, strict=True):
        write_clips(root, film, seconds_of_clips)
    return clip, roots


def _clip_lengths(night: str) -> list[int]:
    """Seconds of each clip, from "10x4"."""
    clips, _, seconds = night.partition("x")
    if not (clips.isdecimal() and seconds.isdecimal() and int(clips) and int(seconds)):
        raise typer.Exit(misused(f"--night is CLIPSxSECONDS, such as 10x4, not {night!r}."))
    return [int(seconds)] * int(clips)
