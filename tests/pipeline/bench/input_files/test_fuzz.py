from __future__ import annotations

from collections import Counter
from pathlib import Path

import numpy as np
import pytest

from pipeline.bench.input_files.file_damage import DAMAGE_KINDS, damage_content
from pipeline.bench.input_files.fuzz import fuzz
from pipeline.bench.input_files.input_report import InputReport
from pipeline.bench.input_files.sample_files import write_sample_files
from pipeline.settings import load_settings
from pipeline.worker.limits import WorkerLimits
from tests.pipeline.bench.input_files.misbehaving_readers import misbehave_by_suffix

SETTINGS = load_settings()


def test_some_damaged_files_do_no_harm(tmp_path: Path) -> None:
    report = fuzz(tmp_path, 72, 11, SETTINGS)
    assert report.failures == (), report.table()
    total: Counter[str] = Counter()
    for counts in report.outcomes.values():
        total.update(counts)
    assert sum(total.values()) == 72
    # Damage that is always refused, or never, would test little.
    assert all(total[outcome] >= 2 for outcome in ("read", "read in part", "refused"))
    assert len(report.outcomes) >= 15
    assert 50 < report.peak_memory_mib < 600


def test_every_failure_is_counted_and_the_next_file_is_read(tmp_path: Path) -> None:
    kinds = len(write_sample_files(tmp_path / "all"))
    limits = WorkerLimits(memory_mib=256, seconds=4.0, seconds_per_step=0.0)
    report = fuzz(tmp_path, kinds, 1, SETTINGS, limits=limits, reader=misbehave_by_suffix)  # type: ignore[arg-type]
    assert report.outcomes["wmv2.wmv"] == {"failed": 1}
    assert report.outcomes["mpeg2.mpg"] == {"crashed": 1}
    assert report.outcomes["still.gif"] == {"out of time": 1}
    assert report.outcomes["still.jpg"] == {"out of time": 1}
    assert report.outcomes["still.bmp"] == {"out of memory": 1}
    assert sum(counts.get("read", 0) for counts in report.outcomes.values()) == kinds - 5
    messages = {case.file: case.message for case in report.failures}
    assert messages["wmv2.wmv"] == "ZeroDivisionError: divided by an aspect of 0"
    assert messages["mpeg2.mpg"] == "crashed (SIGSEGV)"
    assert messages["still.bmp"] == "took more than 256 MiB of memory"
    assert messages["still.gif"] == "took more than 4 s"
    assert report.slowest is not None
    assert 1.0 < report.slowest.seconds < 30.0
    assert 256 < report.peak_memory_mib < 4096
    kept = [path for case in report.failures for path in tmp_path.glob(f"case-{case.number}-{case.file}")]
    assert len(kept) == 5
    assert not InputReport(report, None, ()).passed


@pytest.mark.parametrize("name", DAMAGE_KINDS)
def test_every_kind_of_damage_changes_the_content_and_depends_only_on_the_seed(name: str) -> None:
    content, other = bytes(range(1, 256)) * 8, bytes(2000)

    def damaged(seed: int) -> bytes:
        copy = bytearray(content)
        DAMAGE_KINDS[name](copy, other, np.random.default_rng(seed))
        return bytes(copy)

    assert all(damaged(seed) == damaged(seed) for seed in range(20))
    assert sum(damaged(seed) != content for seed in range(20)) >= 18


def test_the_kinds_of_damage_are_named() -> None:
    content = np.random.default_rng(0).bytes(3000)
    named: set[str] = set()
    for seed in range(60):
        damaged, kinds = damage_content(content, content[::-1], np.random.default_rng(seed))
        assert damaged != content
        named |= set(kinds.split(", "))
    assert named == set(DAMAGE_KINDS)
