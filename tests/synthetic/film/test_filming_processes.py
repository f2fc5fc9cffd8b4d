from __future__ import annotations

import time
from collections import Counter

import pytest
import torch

from synthetic.errors import PhantomError
from synthetic.film.filming_processes import film_devices, filming_device, start_filming_processes


def device_after_a_while(_: int) -> str:
    time.sleep(0.5)  # so that no process does all jobs
    return filming_device()


def test_processes_take_the_devices_in_turn() -> None:
    with start_filming_processes(["cpu", "cpu:0"], 3, 20) as pool:
        seen = Counter(pool.map(device_after_a_while, range(20)))
    assert seen.keys() == {"cpu", "cpu:0"}
    assert filming_device() == "cpu"


def test_cuda_means_all_gpus(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(torch.cuda, "is_available", lambda: True)
    monkeypatch.setattr(torch.cuda, "device_count", lambda: 2)
    assert film_devices("cuda") == ("cuda:0", "cuda:1")
    assert film_devices("cuda:1") == ("cuda:1",)
    assert film_devices("cpu") == ("cpu",)
    with pytest.raises(PhantomError, match="cuda:2 cannot be used: PyTorch finds 2 GPUs"):
        film_devices("cuda:2")


def test_a_device_that_is_not_there_is_refused(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(torch.cuda, "is_available", lambda: False)
    with pytest.raises(PhantomError, match="cuda cannot be used: PyTorch finds 0 GPUs"):
        film_devices("cuda")
    with pytest.raises(PhantomError, match="There is no device 'gpu'"):
        film_devices("gpu")
