from __future__ import annotations

import re
from collections.abc import Iterator

import pytest
import torch

from synthetic.training import speed
from synthetic.training.dataset import StreamSettings


class InstantPictures:
    """Pictures that take no time."""

    def batches(self) -> Iterator[int]:
        return iter(range(100))


def test_the_rate_is_pictures_by_time(monkeypatch: pytest.MonkeyPatch) -> None:
    clock = iter([100.0, 104.0])
    monkeypatch.setattr(speed.time, "perf_counter", lambda: next(clock))
    monkeypatch.setattr(speed, "PhantomPictures", lambda settings, seed, device: InstantPictures())
    rate = speed.pictures_per_second(StreamSettings(batch=8), torch.device("cpu"), batches=6)
    assert rate == pytest.approx(6 * 8 / 4.0)


def test_the_output_has_the_rate_and_the_slowest_operators(capsys: pytest.CaptureFixture[str]) -> None:
    assert speed.main(["--batch", "2", "--batches", "1", "--animals", "2"]) == 0
    out = capsys.readouterr().out
    assert re.search(r"^\d+ labelled pictures per second on ", out)
    assert "aten::grid_sampler_3d" in out
