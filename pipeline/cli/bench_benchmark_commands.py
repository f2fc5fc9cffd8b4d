"""``clutchlight bench make`` and ``bench freeze``: frozen benchmarks, made anywhere."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path
from typing import Annotated

import typer

from pipeline.cli.error_handling import handle_errors
from pipeline.cli.options import Quiet, Traceback

__all__ = ["BenchmarkOption", "freeze", "made_benchmarks", "make"]

Name = Annotated[
    str,
    typer.Argument(metavar="NAME", help="A benchmark of configs/benchmarks, or the path of a definition of your own."),
]
BenchmarkOption = Annotated[
    list[str] | None,
    typer.Option(
        "--benchmark",
        metavar="NAME",
        help="A frozen benchmark, such as phantoms-1, filmed into DIR/NAME and checked unless it is there. Repeatable.",
    ),
]


def make(
    name: Name,
    folder: Annotated[
        Path, typer.Argument(metavar="DIR", help="Folder for its exams; new, or with the same benchmark.")
    ],
    quiet: Quiet = False,
    traceback: Traceback = False,
) -> None:
    """Film a frozen benchmark, and check that every clip holds what was frozen.

    What an encoder or a processor may change is compared within tolerances, and stated.
    """
    with handle_errors(traceback):
        typer.echo(_made(name, folder, quiet=quiet))


def freeze(
    name: Name,
    folder: Annotated[
        Path, typer.Argument(metavar="DIR", help="Folder for its exams; new, or with the same benchmark.")
    ],
    quiet: Quiet = False,
    traceback: Traceback = False,
) -> None:
    """Film a benchmark, and write the SHA-256 of what every clip holds beside its definition, as NAME.clips.csv."""
    with handle_errors(traceback):
        from pipeline.bench.frozen.definition import open_benchmark
        from pipeline.bench.frozen.making import freeze_benchmark
        from pipeline.cli.progress import show_step_progress
        from pipeline.formatting import plural

        benchmark = open_benchmark(name)
        with show_step_progress(f"Filming {benchmark.name}", quiet=quiet) as step:
            clips = freeze_benchmark(benchmark, folder, step)
        typer.echo(f"{benchmark.contents_path}: {plural(clips, 'clip')}")


def made_benchmarks(names: Sequence[str], out: Path, *, quiet: bool) -> list[Path]:
    """The folders of benchmarks under ``out``, filmed if they are not there. What the check says is on stderr."""
    folders = []
    for name in names:
        folder = out / Path(name).stem
        line = _made(name, folder, quiet=quiet)
        if not quiet:
            typer.echo(line, err=True)
        folders.append(folder)
    return folders


def _made(name: str, folder: Path, *, quiet: bool) -> str:
    from pipeline.bench.frozen.definition import open_benchmark
    from pipeline.bench.frozen.making import make_benchmark
    from pipeline.cli.progress import show_step_progress

    benchmark = open_benchmark(name)
    with show_step_progress(f"Filming {benchmark.name}", quiet=quiet) as step:
        return make_benchmark(benchmark, folder, step).line()
