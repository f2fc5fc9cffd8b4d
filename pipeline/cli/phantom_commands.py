"""``clutchlight demo`` and ``clutchlight phantoms``: clips of simulated animals, with ground truth."""

from __future__ import annotations

import json
from collections.abc import Mapping
from pathlib import Path
from typing import Annotated

import typer

from pipeline.cli.batch_runner import run_batch_with_progress
from pipeline.cli.error_handling import handle_errors
from pipeline.cli.exit_codes import batch_exit_code
from pipeline.cli.options import AllowUncalibrated, AsJson, EngineName, EngineOption, Quiet, Traceback, Weights, misused

__all__ = ["demo", "phantoms"]


def demo(
    out: Annotated[
        Path, typer.Option("--out", metavar="DIR", help="Folder for clips and sheets; created if missing.")
    ] = Path("clutchlight-demo"),
    seed: Annotated[int, typer.Option("--seed", min=0, help="Seed of the random numbers.")] = 4,
    engine: EngineOption = EngineName.OPENVINO,
    weights: Weights = None,
    allow_uncalibrated: AllowUncalibrated = False,
    quiet: Quiet = False,
    as_json: AsJson = False,
    traceback: Traceback = False,
) -> None:
    """Simulate a few animals and their clips, run the batch, and compare its counts with the ground truth."""
    with handle_errors(traceback):
        from pipeline.bench.animal_truth import read_animal_truths
        from pipeline.bench.count_comparison import compare_counts, comparison_table
        from pipeline.bench.result_files import read_results
        from pipeline.bench.stated_counts import counts_of_result
        from pipeline.cli.batch_summary import print_report

        exams, results = out / "exams", out / "results"
        _write_phantoms(exams, animals=None, seed=seed, quiet=quiet)
        report = run_batch_with_progress(
            exams, results, None, engine, weights, quiet=quiet, allow_uncalibrated=allow_uncalibrated
        )
        written = [exam.written_to for exam in report.exams if exam.written_to is not None]
        stated = {result["animal"]: counts_of_result(result) for result in read_results(written)}
        rows = compare_counts(read_animal_truths(exams), stated)
        if as_json:
            typer.echo(json.dumps([row.document() for row in rows], ensure_ascii=False, indent=2))
        else:
            typer.echo(comparison_table(rows))
        print_report(report, quiet=quiet, as_json=as_json, traceback=traceback)
        raise typer.Exit(batch_exit_code(report))


def phantoms(
    folder: Annotated[
        Path | None, typer.Argument(metavar="[DIR]", help="Folder for the exam folders; created if missing.")
    ] = None,
    animals: Annotated[int | None, typer.Option("--animals", min=1, help="Number of animals in DIR.")] = None,
    seed: Annotated[
        int, typer.Option("--seed", min=0, help="Seed of the random numbers; the same seed gives the same clips.")
    ] = 0,
    worlds: Annotated[
        list[str] | None,
        typer.Option(
            "--world",
            metavar="PART=NAME",
            help="The same choice for all animals: hand=fanning, physics=resolution-cells, screen=panel. Repeatable.",
        ),
    ] = None,
    device: Annotated[
        str,
        typer.Option(
            "--device", help="cpu, cuda for all GPUs, or cuda:1 for one of them. GPUs draw other noise than a CPU."
        ),
    ] = "cpu",
    processes: Annotated[
        int | None,
        typer.Option(
            "--processes",
            min=1,
            help="Number of clips that are filmed side by side, by default one per processor; the files do not depend "
            "on it.",
        ),
    ] = None,
    sheet: Annotated[
        Path | None,
        typer.Option("--contact-sheet", metavar="FILE.png", help="Write a contact sheet of training pictures."),
    ] = None,
    recordings: Annotated[
        Path | None,
        typer.Option(
            "--compare-with", metavar="DIR", help="Show frames of the recordings in DIR next to the phantoms."
        ),
    ] = None,
    blinded: Annotated[
        bool, typer.Option("--blinded", help="Mix both without marking which is which; FILE.txt holds the answers.")
    ] = False,
    quiet: Quiet = False,
    traceback: Traceback = False,
) -> None:
    """Write clips of simulated animals, with ground truth, as exam folders; or a contact sheet of training pictures."""
    with handle_errors(traceback):
        if (folder is None) != (animals is None) or (folder is None and sheet is None):
            raise typer.Exit(misused("Give DIR and --animals for clips, or --contact-sheet for a contact sheet."))
        if sheet is None and (recordings is not None or blinded):
            raise typer.Exit(misused("--compare-with and --blinded are options of --contact-sheet."))
        if blinded and recordings is None:
            raise typer.Exit(misused("--blinded needs --compare-with DIR, with recordings to mix the phantoms with."))
        if folder is not None and animals is not None:
            fixed = dict(_part_and_name(world) for world in worlds or [])
            _write_phantoms(
                folder, animals=animals, seed=seed, quiet=quiet, fixed=fixed, device=device, processes=processes
            )
        if sheet is not None:
            from pipeline.bench.phantom_sheet import write_contact_sheet
            from pipeline.settings import load_settings

            ingest = load_settings(None).ingest
            write_contact_sheet(sheet, seed=seed, recordings=recordings, mix=blinded, settings=ingest)


def _part_and_name(world: str) -> tuple[str, str]:
    """The two sides of "hand=fanning". What they may be is the phantoms' to say."""
    part, separator, name = world.partition("=")
    if not separator:
        raise typer.Exit(misused(f"--world is PART=NAME, such as hand=fanning, not {world!r}."))
    return part, name


def _write_phantoms(
    folder: Path,
    *,
    animals: int | None,
    seed: int,
    quiet: bool,
    fixed: Mapping[str, str] | None = None,
    device: str = "cpu",
    processes: int | None = None,
) -> None:
    """Write clips of simulated animals under ``folder``.

    animals : None for those of the demo;  device : see film_devices;  fixed, processes : see write_phantoms
    """
    from pipeline.cli.progress import show_step_progress
    from synthetic.film.clips import write_demo, write_phantoms
    from synthetic.film.filming_processes import film_devices

    with show_step_progress("Filming simulated animals", quiet=quiet) as step:
        if animals is None:
            write_demo(folder, seed=seed, progress=step)
        else:
            write_phantoms(
                folder,
                animals=animals,
                seed=seed,
                fixed=fixed,
                devices=film_devices(device),
                processes=processes,
                progress=step,
            )
