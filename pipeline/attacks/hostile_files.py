"""Recordings and side files that were made to stop the night. Each is read or refused, within memory and time."""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable, Iterator
from pathlib import Path

import numpy as np

from pipeline.attacks.attack_report import AttackResult, Progress
from pipeline.bench.input_files.hostile_media import try_hostile_media
from pipeline.bench.input_files.reading_trial import TrialFile, TrialReport, read_files
from pipeline.bench.input_files.sample_files import moving_speckle
from pipeline.settings import Settings

__all__ = ["hostile_exam_files", "try_media", "try_side_files"]

LARGEST_MEMORY_MIB = 1536  # of the process that reads; own choice, as what a small computer can spare
LONGEST_S = 60.0  # a file; own choice, so that a hundred of them do not take the night


def try_media(folder: Path, cases: int, seed: int, settings: Settings, progress: Progress) -> AttackResult:
    """Read that many recordings that were made to exhaust the machine."""
    return _result("hostile media", try_hostile_media(folder, cases, seed, settings, progress=progress))


def try_side_files(folder: Path, cases: int, seed: int, settings: Settings, progress: Progress) -> AttackResult:
    """Read that many ``exam.toml``, each beside a recording."""
    from PIL import Image

    exam = folder / "AF-0001" / "2026-05-14"
    exam.mkdir(parents=True, exist_ok=True)
    Image.fromarray(moving_speckle(1)[0]).save(exam / "left-1.png")
    report = read_files(
        folder,
        hostile_exam_files(cases, seed),
        settings,
        seed=seed,
        group=lambda file: file.kind,
        progress=lambda done: progress(done, cases),
    )
    return _result("hostile exam.toml", report)


def _result(name: str, report: TrialReport) -> AttackResult:
    outcomes: Counter[str] = Counter()
    for counts in report.outcomes.values():
        outcomes.update(counts)
    slowest = 0.0 if report.slowest is None else report.slowest.seconds
    examples = [f"case {case.number}, {case.kind}: {case.outcome}. {case.message}" for case in report.failures]
    if report.peak_memory_mib > LARGEST_MEMORY_MIB:
        examples.append(f"a process held {report.peak_memory_mib:,} MiB, more than {LARGEST_MEMORY_MIB:,}.")
    if slowest > LONGEST_S:
        examples.append(f"a file took {slowest:.0f} s, more than {LONGEST_S:.0f}.")
    measured = {"slowest_s": round(slowest, 2), "peak_memory_mib": report.peak_memory_mib}
    return AttackResult(name, report.cases, outcomes, len(examples), report.seconds, measured, examples)


def hostile_exam_files(cases: int, seed: int) -> Iterator[TrialFile]:
    """Files of all kinds in turn. A file is determined by the seed and its number."""
    kinds = list(_SIDE_FILES.items())
    for number in range(cases):
        kind, content = kinds[number % len(kinds)]
        text = content(np.random.default_rng([seed, number]))
        yield TrialFile("exam.toml", kind, text if isinstance(text, bytes) else text.encode("utf-8", "surrogatepass"))


def _size(rng: np.random.Generator, low: int, high: int) -> int:
    """A size between the two, as often between 10 and 20 as between 1,000 and 2,000."""
    return int(np.exp(rng.uniform(np.log(low), np.log(high))))


def _invisible(rng: np.random.Generator) -> str:
    return str(rng.choice(["\\u0000", "\\u200b", "\\u001b[2J", "\\u009b2J", "\\u202e", "\\u2028", "\\ufeff"]))


_SIDE_FILES: dict[str, Callable[[np.random.Generator], str | bytes]] = {
    "long number": lambda rng: f"mm_per_px = {'9' * _size(rng, 20, 10**6)}\n",
    "long hex number": lambda rng: f"mm_per_px = 0x{'f' * _size(rng, 20, 10**6)}\n",
    "long fraction": lambda rng: f"mm_per_px = 1e-{'9' * _size(rng, 3, 10**5)}\n",
    "dotted key": lambda rng: f"a{'.a' * _size(rng, 10, 10**5)} = 1\n",
    "dotted table": lambda rng: f"[{'a.' * _size(rng, 10, 10**5)}a]\nb = 1\n",
    "nested arrays": lambda rng: f"a = {'[' * _size(rng, 10, 10**6)}\n",
    "nested tables": lambda rng: f"a = {'{a=' * _size(rng, 10, 10**5)}\n",
    "long key": lambda rng: f"{'a' * _size(rng, 100, 10**6)} = 1\n",
    "long text": lambda rng: f'scanned_by = "{"a" * _size(rng, 100, 10**7)}"\n',
    "many tables": lambda rng: "[[clip]]\n" * _size(rng, 100, 10**5),
    "many keys": lambda rng: "".join(f"k{n}.{'b.' * 15}c = 1\n" for n in range(_size(rng, 100, 10**4))),
    "long array": lambda rng: f"clip = [{'1,' * _size(rng, 100, 10**6)}]\n",
    "many lines": lambda rng: "#\n" * _size(rng, 100, 10**6),
    "year": lambda rng: f"date = {int(rng.choice([1, 33, 1949, 2200, 9999])):04}-01-01\n",
    "invisible characters": lambda rng: f'species = "{_invisible(rng)}=1+1"\n',
    "invisible key": lambda rng: f'"{_invisible(rng)}" = 1\n',
    "path of a clip": lambda rng: f'[[clip]]\nfile = "{"../" * _size(rng, 1, 300)}etc/passwd"\n',
    "name of a clip": lambda rng: f'[[clip]]\nfile = "a{_invisible(rng)}.mp4"\n',
    "repeated key": lambda rng: 'animal = "A"\n' * _size(rng, 2, 10**4),
    "random bytes": lambda rng: rng.bytes(_size(rng, 10, 10**6)),
    "half a character": lambda rng: b'scanned_by = "\xed\xa0\x80"\n' * _size(rng, 1, 100),
}
"""By kind: what makes the content. ``mm_per_px`` and the other keys are those of ``exam.toml``."""
