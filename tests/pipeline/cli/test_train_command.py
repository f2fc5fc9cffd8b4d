"""``clutchlight train``: its messages and exit codes. tests/synthetic/training tests the runs themselves."""

from __future__ import annotations

import re
from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any

import cv2
import numpy as np
import pytest

from configs.reading import config_path
from models.network import load_weights
from models.weights_file import shipped_weights
from pipeline.cli import app
from pipeline.cli.exit_codes import ExitCode
from pipeline.report.export.result import to_json_bytes

if TYPE_CHECKING:
    import torch

    from synthetic.training.labelled_pictures import LabelledPictures
    from synthetic.training.training_run import TrainingSettings


class FakeMetrics:
    """Held-out metrics in place of those of a training run."""

    def document(self) -> dict[str, float]:
        return {"ap50_shelled": 0.5}

    def lines(self) -> list[str]:
        return ["ap50_shelled 0.5"]


class FakeResult(FakeMetrics):
    def __init__(self, is_written: bool) -> None:
        self.is_written = is_written


def write_label_folder(folder: Path) -> None:
    """Two frames of two animals, as clutchlight labels writes them."""
    images, annotations = [], []
    for number, animal in enumerate(("AF-1", "AF-2"), 1):
        name = f"images/{animal}_2026-05-14_left-1.mp4_000003.png"
        (folder / name).parent.mkdir(parents=True, exist_ok=True)
        cv2.imwrite(str(folder / name), np.full((50, 60), 90, np.uint8))
        shown = {"animal": animal, "exam": "2026-05-14", "clip": "left-1.mp4", "frame": 3, "mm_per_px": None}
        sector = {"sector_box": [4, 4, 54, 44], "upside_down": False}
        images.append({"id": number, "file_name": name, "width": 60, "height": 50, **shown, **sector})
        annotations.append(
            {"id": number, "image_id": number, "category_id": 3, "iscrowd": 0, "ellipse": [30, 20, 9, 6, 10]}
        )
    (folder / "coco.json").write_bytes(to_json_bytes({"images": images, "annotations": annotations, "categories": []}))


@pytest.mark.parametrize(
    ("arguments", "message"),
    [
        (["train"], "--config FILE"),
        (["train", "--config", "training.toml", "--allow-regression"], "--labels"),
        (["train", "--labels", "labels"], "--from WEIGHTS"),
        (["train", "--labels", "labels", "--from", "weights", "--teacher", "weights"], "no --teacher"),
        (["train", "--config", str(config_path("training.toml")), "--teacher", "weights"], "need each other"),
        (["train", "--config", str(config_path("training_small.toml"))], "need each other"),
        (["train", "--labels", "no/labels", "--from", "weights"], "no/labels/coco.json cannot be read"),
    ],
)
def test_wrong_usage_is_2(arguments: Sequence[str], message: str, capsys: pytest.CaptureFixture[str]) -> None:
    assert app.main(arguments) == ExitCode.USAGE
    assert message in capsys.readouterr().err


def test_training_on_a_full_gpu_continues_with_smaller_batches_and_then_on_the_cpu(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    import torch

    tried = []

    def run_training(
        settings: TrainingSettings, weights: Path, *, devices: Sequence[torch.device], **rest: object
    ) -> FakeMetrics:
        (device,) = devices
        tried.append((settings.batch, device.type))
        if device.type == "cuda":
            raise torch.OutOfMemoryError("CUDA out of memory")
        return FakeMetrics()

    monkeypatch.setattr("synthetic.training.training_run.run_training", run_training)
    monkeypatch.setattr("torch.cuda.is_available", lambda: True)
    monkeypatch.setattr("torch.cuda.device_count", lambda: 1)
    file = tmp_path / "training.toml"
    text = config_path("training.toml").read_text(encoding="utf-8")
    file.write_text(re.sub(r"(?m)^batch = \d+", "batch = 32", text), encoding="utf-8")
    assert app.main(["train", "--config", str(file), "--out", str(tmp_path / "new.safetensors")]) == ExitCode.DONE
    assert tried == [(32, "cuda"), (16, "cuda"), (32, "cpu")]
    output = capsys.readouterr()
    assert "32 pictures per step do not fit. Continuing with 16." in output.err
    assert "Continuing on the CPU." in output.err
    assert "Training on the CPU: " in output.err
    assert output.out.splitlines()[0] == "ap50_shelled 0.5"


def test_a_fine_tuned_network_is_written_or_refused_with_message_and_exit_code(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    calls: list[dict[str, Any]] = []

    def run_fine_tuning(settings: TrainingSettings, weights: Path, **rest: Any) -> FakeResult:
        network = load_weights(rest["start"]).config
        assert (network.widths, network.blocks) == (
            settings.widths,
            settings.blocks,
        )  # the shipped settings fit the shipped network
        calls.append(rest)
        return FakeResult(is_written=rest["allow_regression"])

    monkeypatch.setattr("synthetic.training.fine_tuning.run_fine_tuning", run_fine_tuning)
    write_label_folder(tmp_path / "labels")
    out = tmp_path / "own.safetensors"
    command = ["train", "--from", str(shipped_weights()), "--labels", str(tmp_path / "labels"), "--out", str(out)]
    assert app.main(command) == ExitCode.REGRESSION == 5
    output = capsys.readouterr()
    assert f"The network became worse, so {out} was not written." in output.err
    assert "--allow-regression" in output.err
    assert "--weights" not in output.out
    assert app.main([*command, "--allow-regression"]) == ExitCode.DONE
    hint = capsys.readouterr().out
    assert (
        f"--weights {out} --results DIR --out {tmp_path / 'own.calibration.toml'}\nTo use it: --weights {out}" in hint
    )
    labelled: LabelledPictures = calls[0]["labelled"]
    assert labelled.animals == ["AF-1", "AF-2"]
