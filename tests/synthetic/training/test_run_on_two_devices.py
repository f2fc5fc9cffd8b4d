"""A training run on two processes of the CPU in place of two GPUs; tests/models tests the steps themselves."""

from __future__ import annotations

import shutil
from collections.abc import Sequence
from pathlib import Path

import pytest
import torch

from models.device_group import DeviceGroup
from models.training import TrainingProgress
from synthetic.training.dataset import PhantomPictures, StreamSettings, draw_animals
from synthetic.training.training_run import run_training
from tests.synthetic.training.test_training_run import SETTINGS, StoppedError, log_lines

CPU = torch.device("cpu")
TWO = (CPU, CPU)


def run(weights: Path, devices: Sequence[torch.device], stop_at: int = 0) -> list[int]:
    """The steps that were reported."""
    steps: list[int] = []

    def report(progress: TrainingProgress) -> None:
        steps.append(progress.step)
        if progress.step == stop_at:
            raise StoppedError

    run_training(SETTINGS, weights, devices=devices, report=report)
    return steps


def test_a_stopped_run_continues_with_the_same_bytes_or_on_another_number_of_devices(tmp_path: Path) -> None:
    whole, stopped, alone = (tmp_path / name / "weights.safetensors" for name in ("whole", "stopped", "alone"))
    assert run(whole, TWO) == [1, 2, 3]
    assert {path.name for path in whole.parent.iterdir()} == {"weights.safetensors", "weights.csv"}
    with pytest.raises(StoppedError):
        run(stopped, TWO, stop_at=1)
    assert {path.name for path in stopped.parent.iterdir()} == {"weights.checkpoint", "weights.csv"}
    shutil.copytree(stopped.parent, alone.parent)
    assert run(stopped, TWO) == [2, 3]
    assert stopped.read_bytes() == whole.read_bytes()
    assert log_lines(stopped) == log_lines(whole)
    assert run(alone, [CPU]) == [2, 3]
    assert [line["learning_rate"] for line in log_lines(alone)] == [line["learning_rate"] for line in log_lines(whole)]
    assert alone.read_bytes() != whole.read_bytes()  # other pictures


def test_devices_render_their_shares_of_other_animals() -> None:
    settings = StreamSettings(animals=3, batch=3, processes=1)
    shares = [PhantomPictures(settings, 1, CPU, DeviceGroup(rank, 2)) for rank in range(2)]
    (first, labels), (second, _) = (share.batch(0) for share in shares)
    assert (len(first), len(second)) == (2, 1)
    assert len(labels.role) == 2
    assert not any(torch.equal(second[0], picture) for picture in first)
    whole = draw_animals(3, 1)
    halves = [draw_animals(3, 1, group=DeviceGroup(rank, 2)) for rank in range(2)]
    carapaces = [[animal.carapace_mm for animal in animals] for animals in (whole, *halves)]
    assert carapaces[0] == [carapaces[1][0], carapaces[2][0], carapaces[1][1]]
