"""Training on a full GPU, with a stand-in for the GPU."""

from __future__ import annotations

import os
from collections.abc import Callable, Sequence

import pytest
import torch

from models.training import TrainingError
from synthetic.training.training_device import cpu_notice, run_with_fitting_batch, training_device, training_devices

GPU, CPU = torch.device("cuda"), torch.device("cpu")


class FakeGpu:
    """Holds batches of up to ``capacity`` pictures; records the runs and the notices."""

    def __init__(self, capacity: int, error: Callable[[str], Exception] = torch.OutOfMemoryError) -> None:
        self.capacity = capacity
        self.error = error
        self.tried: list[tuple[int, str]] = []
        self.notices: list[str] = []

    def run(self, batch: int, devices: Sequence[torch.device]) -> str:
        (device,) = devices
        self.tried.append((batch, device.type))
        if device.type == "cuda" and batch > self.capacity:
            raise self.error("CUDA error: out of memory")
        return f"{batch} on {device.type}"

    def __call__(self, batch: int, device: torch.device = GPU) -> str:
        return run_with_fitting_batch(self.run, batch=batch, devices=[device], notify=self.notices.append)


def test_a_batch_that_fits_runs_once_without_a_notice() -> None:
    gpu = FakeGpu(192)
    assert gpu(192) == "192 on cuda"
    assert (gpu.tried, gpu.notices) == ([(192, "cuda")], [])


def test_a_full_gpu_gets_half_the_batch_until_it_fits_with_notices() -> None:
    gpu = FakeGpu(50)
    assert gpu(192) == "48 on cuda"
    assert [batch for batch, _ in gpu.tried] == [192, 96, 48]
    assert len(gpu.notices) == 2
    assert "192 pictures per step do not fit. Continuing with 96." in gpu.notices[0]
    assert "96 pictures per step do not fit. Continuing with 48." in gpu.notices[1]
    assert "To train with 192, free the GPU" in gpu.notices[1]


@pytest.mark.parametrize("error", [torch.OutOfMemoryError, torch.AcceleratorError])
def test_if_16_pictures_do_not_fit_the_run_continues_on_the_cpu_with_the_full_batch(
    error: Callable[[str], Exception],
) -> None:
    gpu = FakeGpu(0, error)
    assert gpu(64) == "64 on cpu"
    assert gpu.tried == [(64, "cuda"), (32, "cuda"), (16, "cuda"), (64, "cpu")]
    assert "16 pictures per step do not fit. Continuing on the CPU." in gpu.notices[-1]


def test_a_small_batch_is_not_halved() -> None:
    gpu = FakeGpu(0)
    assert gpu(8) == "8 on cpu"
    assert [device for _, device in gpu.tried] == ["cuda", "cpu"]


def test_other_errors_are_raised() -> None:
    def broken(batch: int, devices: Sequence[torch.device]) -> str:
        raise torch.AcceleratorError("CUDA error: an illegal memory access was encountered")

    with pytest.raises(torch.AcceleratorError, match="illegal"):
        run_with_fitting_batch(broken, batch=64, devices=[GPU], notify=lambda text: None)


def test_a_full_main_memory_is_raised() -> None:
    def full(batch: int, devices: Sequence[torch.device]) -> str:
        raise torch.OutOfMemoryError("out of memory")

    with pytest.raises(torch.OutOfMemoryError):
        run_with_fitting_batch(full, batch=64, devices=[CPU], notify=lambda text: None)


@pytest.mark.parametrize(
    ("pictures", "length"), [(3_600_000, "about 4 days"), (360_000, "about 10 hours"), (3_000, "about 5 minutes")]
)
def test_the_cpu_notice_states_the_duration(pictures: int, length: str, monkeypatch: pytest.MonkeyPatch) -> None:
    """Ten pictures per second on two cores."""
    monkeypatch.setattr(os, "sched_getaffinity", lambda process: {0, 1})
    assert f"Training on the CPU: {pictures:,} pictures take {length} on 2 cores" in cpu_notice(pictures)


@pytest.mark.parametrize(("has_gpu", "kind"), [(True, "cuda"), (False, "cpu")])
def test_a_gpu_is_used_if_there_is_one(has_gpu: bool, kind: str, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(torch.cuda, "is_available", lambda: has_gpu)
    assert training_device().type == kind


def test_all_gpus_are_used_unless_fewer_are_asked_for(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(torch.cuda, "is_available", lambda: True)
    monkeypatch.setattr(torch.cuda, "device_count", lambda: 3)
    assert [str(device) for device in training_devices()] == ["cuda:0", "cuda:1", "cuda:2"]
    assert [str(device) for device in training_devices(2)] == ["cuda:0", "cuda:1"]
    assert [str(device) for device in training_devices(1)] == ["cuda"]
    with pytest.raises(TrainingError, match=r"4 devices.*only 3 GPUs"):
        training_devices(4)


def test_without_a_gpu_processes_share_the_cpu(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(torch.cuda, "is_available", lambda: False)
    assert training_devices() == (CPU,)
    assert training_devices(2) == (CPU, CPU)
