"""What a training run does on a full GPU, with a stand-in for the GPU."""

from __future__ import annotations

import os
from collections.abc import Callable

import pytest
import torch

from synthetic.training.training_device import cpu_notice, run_with_fitting_batch, training_device

GPU, CPU = torch.device("cuda"), torch.device("cpu")


class Card:
    """Holds batches of up to ``room`` pictures; remembers what was tried."""

    def __init__(self, room: int, error: Callable[[str], Exception] = torch.OutOfMemoryError) -> None:
        self.room = room
        self.error = error
        self.tried: list[tuple[int, str]] = []
        self.said: list[str] = []

    def run(self, batch: int, device: torch.device) -> str:
        self.tried.append((batch, device.type))
        if device.type == "cuda" and batch > self.room:
            raise self.error("CUDA error: out of memory")
        return f"{batch} on {device.type}"

    def __call__(self, batch: int, device: torch.device = GPU) -> str:
        return run_with_fitting_batch(self.run, batch=batch, device=device, notify=self.said.append)


def test_what_fits_runs_once_without_a_word() -> None:
    card = Card(192)
    assert card(192) == "192 on cuda"
    assert (card.tried, card.said) == ([(192, "cuda")], [])


def test_a_full_gpu_gets_half_the_batch_until_it_fits_and_says_so() -> None:
    card = Card(50)
    assert card(192) == "48 on cuda"
    assert [batch for batch, _ in card.tried] == [192, 96, 48]
    assert len(card.said) == 2
    assert "192 pictures a step do not fit. Going on with 96." in card.said[0]
    assert "96 pictures a step do not fit. Going on with 48. Free the GPU" in card.said[1]
    assert "the batch of 192 in the settings" in card.said[1]


@pytest.mark.parametrize("error", [torch.OutOfMemoryError, torch.AcceleratorError])
def test_where_hardly_anything_fits_it_goes_on_on_the_cpu_with_the_whole_batch(
    error: Callable[[str], Exception],
) -> None:
    card = Card(0, error)
    assert card(64) == "64 on cpu"
    assert card.tried == [(64, "cuda"), (32, "cuda"), (16, "cuda"), (64, "cpu")]
    assert "16 pictures a step do not fit. Going on on the CPU." in card.said[-1]


def test_a_small_batch_is_not_made_smaller() -> None:
    card = Card(0)
    assert card(8) == "8 on cpu"
    assert [device for _, device in card.tried] == ["cuda", "cpu"]


def test_other_failures_are_not_hidden() -> None:
    def broken(batch: int, device: torch.device) -> str:
        raise torch.AcceleratorError("CUDA error: an illegal memory access was encountered")

    with pytest.raises(torch.AcceleratorError, match="illegal"):
        run_with_fitting_batch(broken, batch=64, device=GPU, notify=lambda text: None)


def test_a_full_main_memory_is_not_answered_by_the_same_again() -> None:
    def full(batch: int, device: torch.device) -> str:
        raise torch.OutOfMemoryError("out of memory")

    with pytest.raises(torch.OutOfMemoryError):
        run_with_fitting_batch(full, batch=64, device=CPU, notify=lambda text: None)


@pytest.mark.parametrize(
    ("pictures", "length"), [(3_600_000, "about 4 days"), (360_000, "about 10 hours"), (3_000, "about 5 minutes")]
)
def test_a_cpu_run_is_told_how_long_it_takes(pictures: int, length: str, monkeypatch: pytest.MonkeyPatch) -> None:
    """Ten pictures a second on two cores."""
    monkeypatch.setattr(os, "sched_getaffinity", lambda process: {0, 1})
    assert f"Training on the CPU: {pictures:,} pictures take {length} on 2 cores" in cpu_notice(pictures)


@pytest.mark.parametrize(("there", "kind"), [(True, "cuda"), (False, "cpu")])
def test_a_gpu_is_taken_where_there_is_one(there: bool, kind: str, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(torch.cuda, "is_available", lambda: there)
    assert training_device().type == kind
