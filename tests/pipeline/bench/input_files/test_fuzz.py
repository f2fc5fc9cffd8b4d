from __future__ import annotations

from collections import Counter
from pathlib import Path

import numpy as np
import pytest

from pipeline.bench.input_files.file_damage import DAMAGE_KINDS, damage_content
from pipeline.bench.input_files.fuzz import FuzzLimits, fuzz
from pipeline.bench.input_files.input_report import InputReport
from pipeline.bench.input_files.sample_files import write_sample_files
from tests.pipeline.bench.input_files.misbehaving_readers import misbehave_by_suffix


def test_a_slice_of_the_damaged_files_does_no_harm(tmp_path: Path) -> None:
    figures = fuzz(tmp_path, 72, seed=11)
    assert figures.failures == (), figures.table()
    total: Counter[str] = Counter()
    for counts in figures.outcomes_by_file.values():
        total.update(counts)
    assert sum(total.values()) == 72
    # Damage that is always refused, or never, would try little.
    assert all(total[outcome] >= 2 for outcome in ("read", "read in part", "refused"))
    assert len(figures.outcomes_by_file) >= 15
    assert figures.peak_memory_mb < 600


def test_whatever_a_file_does_is_counted_and_the_others_go_on(tmp_path: Path) -> None:
    kinds = len(write_sample_files(tmp_path / "all"))
    limits = FuzzLimits(cpu_seconds=0.5, extra_memory_mb=512)
    figures = fuzz(tmp_path, kinds, seed=1, limits=limits, reader=misbehave_by_suffix)  # type: ignore[arg-type]
    assert figures.outcomes_by_file["wmv2.wmv"] == {"failed": 1}
    assert figures.outcomes_by_file["mpeg2.mpg"] == {"crashed": 1}
    assert figures.outcomes_by_file["still.gif"] == {"out of time": 1}
    assert figures.outcomes_by_file["still.jpg"] == {"out of time": 1}
    assert figures.outcomes_by_file["still.bmp"] == {"failed": 1}
    assert sum(counts.get("read", 0) for counts in figures.outcomes_by_file.values()) == kinds - 5
    told = {case.file: case.message for case in figures.failures}
    assert told["wmv2.wmv"] == "ZeroDivisionError: divided by an aspect of 0"
    assert told["mpeg2.mpg"] == "SIGSEGV"
    assert "MemoryError" in told["still.bmp"]
    # One waits and takes no time of the processor, the other takes more than it may.
    assert told["still.gif"].startswith("not done after 0.")
    assert figures.slowest is not None
    assert figures.slowest.file == "still.jpg"
    assert figures.slowest.seconds > 0.5
    kept = [path for case in figures.failures for path in tmp_path.glob(f"case-{case.number}-{case.file}")]
    assert len(kept) == 5
    assert not InputReport(figures, ()).passed_fuzzing


@pytest.mark.parametrize("name", DAMAGE_KINDS)
def test_every_harm_changes_the_bytes_and_follows_from_the_seed(name: str) -> None:
    content, other = bytes(range(1, 256)) * 8, bytes(2000)

    def harmed(seed: int) -> bytes:
        copy = bytearray(content)
        DAMAGE_KINDS[name](copy, other, np.random.default_rng(seed))
        return bytes(copy)

    assert all(harmed(seed) == harmed(seed) for seed in range(20))
    assert sum(harmed(seed) != content for seed in range(20)) >= 18


def test_damage_names_what_was_done() -> None:
    content = np.random.default_rng(0).bytes(3000)
    named: set[str] = set()
    for seed in range(60):
        harmed, told = damage_content(content, content[::-1], np.random.default_rng(seed))
        assert harmed != content
        named |= set(told.split(", "))
    assert named == set(DAMAGE_KINDS)
