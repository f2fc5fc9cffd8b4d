"""Recordings that are still being copied are waited for, and no longer than the settings say."""

from __future__ import annotations

import os
from collections.abc import Callable
from pathlib import Path

import pytest

from pipeline.batch.settling import Settling
from pipeline.ingest.frame import ClipError
from pipeline.ingest.recording_identity import file_state
from pipeline.settings import load_settings

SETTINGS = load_settings().run.model_copy(update={"settle_seconds": 60.0, "settle_wait_seconds": 600.0})


@pytest.fixture
def clip(tmp_path: Path) -> Path:
    path = tmp_path / "left-1.mp4"
    path.write_bytes(b"the beginning")
    return path


def grow_times(path: Path, times: int, naps: list[float]) -> Callable[[float], None]:
    """In place of sleep: the file grows in each of the first naps."""

    def nap(seconds: float) -> None:
        naps.append(seconds)
        if len(naps) <= times:
            with path.open("ab") as file:
                file.write(b"more")

    return nap


def test_file_that_grows_is_waited_for_until_it_stays_as_it_is(clip: Path) -> None:
    naps: list[float] = []
    settling = Settling(SETTINGS, grow_times(clip, 2, naps))
    before = file_state(clip)
    assert not settling.is_settled(clip, before)
    assert settling.wait(clip, before)
    assert naps == [60.0] * 3
    assert settling.is_settled(clip, file_state(clip))
    assert not settling.is_settled(clip, before)


def test_the_time_of_a_run_is_shared_by_all_files(clip: Path) -> None:
    naps: list[float] = []
    settling = Settling(SETTINGS, grow_times(clip, 10**6, naps))
    assert not settling.wait(clip, file_state(clip))
    assert sum(naps) == SETTINGS.settle_wait_seconds
    assert not settling.wait(clip, file_state(clip))
    assert sum(naps) == SETTINGS.settle_wait_seconds


def test_file_that_has_not_changed_for_long_is_not_waited_for(clip: Path) -> None:
    os.utime(clip, (1.7e9, 1.7e9))
    naps: list[float] = []
    assert Settling(SETTINGS, naps.append).wait(clip, file_state(clip))
    assert naps == []


def test_file_that_goes_away_meanwhile_is_refused(clip: Path) -> None:
    settling = Settling(SETTINGS, lambda seconds: clip.unlink())
    with pytest.raises(ClipError, match=r"left-1\.mp4: cannot be read"):
        settling.wait(clip, file_state(clip))
