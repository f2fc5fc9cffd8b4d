"""No night begins on a full disk or with a clock that is behind."""

from __future__ import annotations

import datetime as dt
import os
from pathlib import Path
from types import SimpleNamespace

import pytest

from pipeline.night.night_record import NightRecord, write_night
from pipeline.night.readiness import NotReadyError, check_readiness, free_space
from pipeline.settings import load_settings

SETTINGS = load_settings().night
NOW = dt.datetime(2026, 11, 30, 22, 0, tzinfo=dt.UTC)


def disk(monkeypatch: pytest.MonkeyPatch, *, free_gb: float, files: int, free_files: int) -> None:
    statvfs = SimpleNamespace(f_bavail=free_gb * 1e9 / 4096, f_frsize=4096, f_files=files, f_favail=free_files)
    monkeypatch.setattr(os, "statvfs", lambda path: statvfs)


def test_free_space_of_a_folder_that_is_not_there_yet_is_that_of_its_disk(tmp_path: Path) -> None:
    assert free_space(tmp_path / "not" / "yet").free_gb == pytest.approx(free_space(tmp_path).free_gb, rel=0.1)


def test_night_begins_where_all_is_well(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    disk(monkeypatch, free_gb=SETTINGS.minimum_free_gb + 0.1, files=10**6, free_files=10**5)
    check_readiness(tmp_path, SETTINGS, NOW)
    disk(monkeypatch, free_gb=50.0, files=0, free_files=0)  # as on Btrfs, which has no such limit
    check_readiness(tmp_path, SETTINGS, NOW)


@pytest.mark.parametrize(
    ("free_gb", "free_files", "words"),
    [(0.4, 10**6, "0.4 GB are free on this disk"), (50.0, 12, "room for 12 more files")],
)
def test_full_disk(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, free_gb: float, free_files: int, words: str
) -> None:
    disk(monkeypatch, free_gb=free_gb, files=10**7, free_files=free_files)
    with pytest.raises(NotReadyError, match=words):
        check_readiness(tmp_path, SETTINGS, NOW)


def test_disk_that_does_not_answer(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    def stale(path: Path) -> None:
        raise OSError(116, "Stale file handle")

    monkeypatch.setattr(os, "statvfs", stale)
    with pytest.raises(NotReadyError, match="does not answer"):
        check_readiness(tmp_path, SETTINGS, NOW)


@pytest.mark.parametrize(
    ("hours", "is_ready"), [(-24.0, True), (0.0, True), (0.9, True), (1.1, False), (24.0 * 365, False)]
)
def test_clock_behind_the_last_night(tmp_path: Path, hours: float, is_ready: bool) -> None:
    started = NOW + dt.timedelta(hours=hours)
    write_night(tmp_path, NightRecord(started.isoformat(), "/recordings"))
    if is_ready:
        check_readiness(tmp_path, SETTINGS, NOW)
    else:
        with pytest.raises(NotReadyError, match="but the last night began at"):
            check_readiness(tmp_path, SETTINGS, NOW)


def test_clock_that_lost_its_power(tmp_path: Path) -> None:
    with pytest.raises(NotReadyError, match="1970-01-01 00:07 UTC, when this program did not exist"):
        check_readiness(tmp_path, SETTINGS, dt.datetime(1970, 1, 1, 0, 7, tzinfo=dt.UTC))
