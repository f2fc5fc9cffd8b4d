"""Reads thousands of damaged files as the nightly run would. None may crash, hang or fill the memory.

A file is determined by the seed and its number.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from pathlib import Path

import numpy as np

from pipeline.bench.input_files.file_damage import damage_content
from pipeline.bench.input_files.reading_trial import Reader, TrialFile, TrialReport, read_files
from pipeline.bench.input_files.sample_files import write_sample_files
from pipeline.settings import Settings
from pipeline.worker.limits import WorkerLimits

__all__ = ["fuzz"]


def fuzz(
    folder: Path,
    cases: int,
    seed: int,
    settings: Settings,
    *,
    limits: WorkerLimits | None = None,
    reader: Reader | None = None,
    progress: Callable[[int, int], None] = lambda done, total: None,
) -> TrialReport:
    """Read that many damaged files.

    folder : created if missing; keeps the files that did harm
    limits, reader : as in `read_files`
    """
    contents = {path.name: path.read_bytes() for path in write_sample_files(folder / "intact")}
    exam = folder / "AF-0001" / "2026-05-14"
    exam.mkdir(parents=True, exist_ok=True)
    (exam / "left-1.png").write_bytes(contents["still.png"])  # the recording that exam.toml describes
    return read_files(
        folder,
        _damaged_files(contents, cases, seed),
        settings,
        seed=seed,
        group=lambda file: file.name,
        reader=reader,
        limits=limits,
        progress=lambda done: progress(done, cases),
    )


def _damaged_files(contents: dict[str, bytes], cases: int, seed: int) -> Iterator[TrialFile]:
    names = list(contents)
    for number in range(cases):
        rng = np.random.default_rng([seed, number])
        name = names[number % len(names)]
        content, damage = damage_content(contents[name], contents[names[rng.integers(len(names))]], rng)
        yield TrialFile(name, damage, content)
