"""Two processes on the CPU in place of two GPUs."""

from __future__ import annotations

import multiprocessing

import pytest
import torch
from hypothesis import given
from hypothesis import strategies as st
from torch import Tensor

from models.device_group import ALONE, DeviceGroup
from models.device_processes import DeviceError, run_on_devices
from models.training import TrainingProgress
from tests.models import device_tasks
from tests.models.device_tasks import TaskError

CPU = torch.device("cpu")
TWO = (CPU, CPU)


def run_training(devices: tuple[torch.device, ...]) -> tuple[dict[str, Tensor], list[TrainingProgress]]:
    reports: list[TrainingProgress] = []
    tensors = run_on_devices(device_tasks.train, devices, reports.append)
    return tensors, reports


def test_two_devices_take_the_steps_that_one_takes_on_whole_batches() -> None:
    (one, alone), (two, together) = run_training((CPU,)), run_training(TWO)
    assert one.keys() == two.keys()
    for name, values in one.items():
        assert values.abs().max() > 1e-4, name
        tolerance = 1e-4 * float(values.abs().max())
        torch.testing.assert_close(two[name], values, rtol=0, atol=tolerance, msg=lambda text, name=name: name + text)
    assert [progress.step for progress in together] == [progress.step for progress in alone] == [1, 2, 3]
    assert together[0].losses == pytest.approx(alone[0].losses, rel=1e-5)
    # AdamW's first steps are as large for the smallest gradients, which are rounding errors, as for the largest.
    assert together[2].losses == pytest.approx(alone[2].losses, rel=0.02)


def test_a_failure_on_one_device_ends_all() -> None:
    with pytest.raises(TaskError, match="The second device has failed") as raised:
        run_on_devices(device_tasks.fail, TWO, print)
    assert str(raised.value) == "The second device has failed."
    assert "On device 2 (cpu)" in raised.value.__notes__[0]
    assert not multiprocessing.active_children()


def test_a_killed_device_ends_all_with_a_sentence() -> None:
    reports: list[int] = []
    with pytest.raises(DeviceError, match=r"device 2 \(cpu\) ended unexpectedly \(killed by SIGKILL\)"):
        run_on_devices(device_tasks.die, TWO, reports.append)
    assert reports == [2]
    assert not multiprocessing.active_children()


@given(number=st.integers(0, 1000), size=st.integers(1, 64))
def test_shares_add_up_and_differ_by_one_at_most(number: int, size: int) -> None:
    shares = [DeviceGroup(rank, size).share(number) for rank in range(size)]
    assert sum(shares) == number
    assert max(shares) - min(shares) <= 1


@given(sizes=st.tuples(st.integers(1, 9), st.integers(1, 9)))
def test_no_two_devices_draw_alike(sizes: tuple[int, int]) -> None:
    groups = {DeviceGroup(rank, size) for size in sizes for rank in range(size)}
    assert len({group.seed_key for group in groups}) == len(groups)
    assert ALONE.seed_key == ()
