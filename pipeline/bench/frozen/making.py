"""Makes a frozen benchmark in a folder, where it is not there already, and checks it."""

from __future__ import annotations

import json
from collections.abc import Callable
from pathlib import Path

import av

from pipeline.bench.frozen.clip_contents import ClipContents, contents_csv, read_clip_contents, read_contents_csv
from pipeline.bench.frozen.contents_check import BenchmarkError, ContentsCheck, check_contents
from pipeline.bench.frozen.definition import Benchmark
from pipeline.store.atomic_write import write_atomically
from synthetic.film.clips import write_subjects

__all__ = ["DEFINITION_NAME", "freeze_benchmark", "make_benchmark"]

DEFINITION_NAME = "benchmark.json"
"""In the folder of a benchmark: its name and definition. It is written before the clips."""

Progress = Callable[[int, int], None]


def make_benchmark(benchmark: Benchmark, folder: Path, progress: Progress = lambda done, total: None) -> ContentsCheck:
    """Film the benchmark into a folder, unless it is there, and compare it with what was frozen.

    progress : called with the frames filmed and their number

    Raises BenchmarkError if the folder holds anything else, or if a clip is another one, and PhantomError if it cannot
    be written.
    """
    contents = _film(benchmark, folder, progress)
    frozen = read_contents_csv(benchmark.contents_path) if benchmark.contents_path.exists() else None
    return check_contents(benchmark.name, contents, frozen)


def freeze_benchmark(benchmark: Benchmark, folder: Path, progress: Progress = lambda done, total: None) -> int:
    """Film the benchmark into a folder, unless it is there, and write what its clips hold beside the definition.

    Returns the number of clips. Raises what `make_benchmark` does, also where another content was frozen before.
    """
    contents = _film(benchmark, folder, progress)
    if benchmark.contents_path.exists():
        check_contents(benchmark.name, contents, read_contents_csv(benchmark.contents_path))
    write_atomically(benchmark.contents_path, [contents_csv(contents)])
    return len(contents)


def _film(benchmark: Benchmark, folder: Path, progress: Progress) -> list[ClipContents]:
    written = folder / DEFINITION_NAME
    if written.exists():
        if json.loads(written.read_text(encoding="utf-8")) != benchmark.document():
            raise BenchmarkError(f"{folder} holds another benchmark than {benchmark.name}. Choose another folder.")
    elif folder.exists() and any(folder.iterdir()):
        raise BenchmarkError(f"{folder} is not empty and holds no benchmark. Choose a new folder.")
    else:
        write_atomically(written, [json.dumps(benchmark.document(), indent=2).encode(), b"\n"])
    if not (folder / "coco.json").exists():  # the last file that is written
        write_subjects(folder, benchmark.subjects(), seed=benchmark.definition.seed, progress=progress)
    try:
        return list(read_clip_contents(folder))
    except (OSError, ValueError, KeyError, TypeError, av.error.FFmpegError) as error:
        raise BenchmarkError(f"{folder} is damaged ({error!r}). Delete it, and make the benchmark again.") from error
