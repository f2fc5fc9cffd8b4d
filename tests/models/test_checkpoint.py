"""Checkpoints: saved state is loaded again, and other files are refused."""

from __future__ import annotations

from pathlib import Path

import pytest
import torch

from models.checkpoint import Checkpoint, CheckpointError
from models.errors import ClutchlightError

CPU = torch.device("cpu")


def test_the_state_saved_last_is_loaded(tmp_path: Path) -> None:
    checkpoint = Checkpoint(tmp_path / "run.checkpoint", "settings")
    assert checkpoint.load(CPU) is None
    for step in (1, 2):
        checkpoint.save({"step": step, "weights": {"first": torch.arange(3.0)}})
    state = checkpoint.load(CPU)
    assert state is not None
    assert state["step"] == 2
    assert torch.equal(state["weights"]["first"], torch.arange(3.0))
    assert [path.name for path in tmp_path.iterdir()] == ["run.checkpoint"]
    checkpoint.remove()
    assert checkpoint.load(CPU) is None
    checkpoint.remove()


def test_a_checkpoint_of_another_run_is_refused(tmp_path: Path) -> None:
    path = tmp_path / "run.checkpoint"
    Checkpoint(path, "some settings").save({"step": 1})
    with pytest.raises(CheckpointError, match=r"run\.checkpoint belongs to a run with other settings\. Continue with"):
        Checkpoint(path, "other settings").load(CPU)


@pytest.mark.parametrize("content", ["empty", "text", "cut", "no state", "list"])
def test_damaged_checkpoints_are_refused(tmp_path: Path, content: str) -> None:
    path = tmp_path / "run.checkpoint"
    checkpoint = Checkpoint(path, "settings")
    checkpoint.save({"step": 1, "weights": torch.zeros(1000)})
    whole = path.read_bytes()
    if content == "no state":
        torch.save({"run": "settings"}, path)
    elif content == "list":
        torch.save([1, 2], path)
    else:
        path.write_bytes({"empty": b"", "text": b"no checkpoint", "cut": whole[: len(whole) // 2]}[content])
    with pytest.raises(CheckpointError, match=r"run\.checkpoint cannot be read: .*Remove it") as caught:
        checkpoint.load(CPU)
    assert isinstance(caught.value, ClutchlightError)


def test_a_folder_instead_of_a_file_is_refused(tmp_path: Path) -> None:
    with pytest.raises(CheckpointError, match="cannot be read"):
        Checkpoint(tmp_path, "settings").load(CPU)


def test_a_full_gpu_is_not_reported_as_a_damaged_checkpoint(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    def full(*arguments: object, **options: object) -> None:
        raise torch.OutOfMemoryError("CUDA out of memory")

    monkeypatch.setattr(torch, "load", full)
    with pytest.raises(torch.OutOfMemoryError):
        Checkpoint(tmp_path / "run.checkpoint", "settings").load(CPU)
