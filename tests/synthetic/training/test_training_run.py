from __future__ import annotations

import csv
import json
from collections.abc import Iterable
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest
import torch
from safetensors import safe_open

from configs.reading import ConfigError, config_path
from models.checkpoint import CheckpointError
from models.network import EggNetwork, load_weights
from models.output_channels import CHANNEL_COUNT, CHANNELS
from models.targets import Labels
from models.training import LoopSettings, TrainingProgress
from models.weights_file import NetworkConfig, WeightsError, weights_sha256
from synthetic.training import training_run
from synthetic.training.dataset import PhantomPictures, StreamSettings
from synthetic.training.held_out_metrics import HeldOutMetrics
from synthetic.training.training_run import TrainingSettings, load_training_settings, run_training, select_settings

CPU = torch.device("cpu")
SETTINGS = TrainingSettings(
    seed=3,
    steps=3,
    batch=2,
    batches_per_render=2,
    animals=2,
    processes=1,
    widths=(8, 8, 12, 12, 16),
    blocks=(1, 1, 1, 1, 1),
    learning_rate=0.001,
    warm_up_steps=1,
    weight_decay=0.01,
    ema_decay=0.9,
    l1_weight=4.0,
    overlap_weight=2.0,
    object_balance=0.5,
    report_every_steps=1,
    held_out_every_steps=2,
    held_out_seed=7,
    held_out_animals=2,
    held_out_pictures=6,
)
TIMES = {"pictures_per_second"}  # differ between runs

Run = tuple[Path, HeldOutMetrics, list[TrainingProgress]]


def run(folder: Path) -> Run:
    reports: list[TrainingProgress] = []
    weights = folder / "new" / "weights.safetensors"
    metrics = run_training(SETTINGS, weights, devices=[CPU], report=reports.append)
    return weights, metrics, reports


@pytest.fixture(scope="module")
def made(tmp_path_factory: pytest.TempPathFactory) -> Run:
    return run(tmp_path_factory.mktemp("run"))


def log_lines(weights: Path) -> list[dict[str, str]]:
    with weights.with_suffix(".csv").open(newline="", encoding="utf-8") as file:
        return [{name: value for name, value in row.items() if name not in TIMES} for row in csv.DictReader(file)]


class StoppedError(Exception):
    """Stops a run in the middle."""


def stop_at(step: int, weights: Path) -> None:
    def report(progress: TrainingProgress) -> None:
        if progress.step == step:
            raise StoppedError

    with pytest.raises(StoppedError):
        run_training(SETTINGS, weights, devices=[CPU], report=report)


def test_a_run_writes_weights_that_load_and_run(made: Run) -> None:
    network = load_weights(made[0])
    assert isinstance(network, EggNetwork)
    assert not network.training
    with torch.inference_mode():
        output = network(torch.zeros(1, 1, 64, 64))
    assert output.shape == (1, 11, 16, 16)
    assert torch.isfinite(output).all()


def test_weights_contain_the_settings_and_the_metrics(made: Run) -> None:
    weights, metrics, _ = made
    with safe_open(weights, framework="pt") as stored:
        notes = stored.metadata()
    assert TrainingSettings.model_validate_json(notes["settings"]) == SETTINGS
    written = json.loads(notes["held_out"])
    assert written["pictures"] == metrics.pictures == 6
    assert json.dumps(written) == json.dumps(metrics.document())


def test_progress_is_reported_up_to_the_last_step(made: Run) -> None:
    reports = made[2]
    assert [(one.step, one.steps) for one in reports] == [(1, 3), (2, 3), (3, 3)]
    assert all(one.pictures_per_second > 0 for one in reports)
    assert all(loss == loss and loss < 1e6 for one in reports for loss in one.losses.values())


def test_the_log_is_next_to_the_weights_and_the_checkpoint_is_gone(made: Run) -> None:
    weights, _, reports = made
    assert {path.name for path in weights.parent.iterdir()} == {"weights.safetensors", "weights.csv"}
    rows = log_lines(weights)
    assert [int(row["step"]) for row in rows] == [1, 2, 3]
    for row, progress in zip(rows, reports, strict=True):
        assert float(row["learning_rate"]) == pytest.approx(progress.learning_rate, rel=1e-5)
        for name, value in progress.losses.items():
            assert float(row[name]) == pytest.approx(value, rel=1e-5)
    # Held-out metrics every second step.
    assert [bool(row["ap50_shelled"]) for row in rows] == [False, True, False]


def test_a_run_changes_the_weights(made: Run) -> None:
    torch.manual_seed(SETTINGS.seed)
    untrained = EggNetwork(NetworkConfig(SETTINGS.widths, SETTINGS.blocks)).state_dict()
    trained = load_weights(made[0]).state_dict()
    changed = [
        name
        for name in trained
        if name.endswith("weight") and not torch.equal(trained[name], untrained[name].half().float())
    ]
    assert len(changed) > 10


def test_the_same_seed_gives_the_same_bytes_and_held_out_phantoms_have_another_seed(
    made: Run, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    seeds: list[int] = []

    class Watched(PhantomPictures):
        def __init__(self, settings: StreamSettings, seed: int, *rest: Any) -> None:
            seeds.append(seed)
            super().__init__(settings, seed, *rest)

    monkeypatch.setattr(training_run, "PhantomPictures", Watched)
    weights, metrics, _ = run(tmp_path)
    assert seeds == [SETTINGS.seed, SETTINGS.held_out_seed]
    assert weights.read_bytes() == made[0].read_bytes()
    assert json.dumps(metrics.document()) == json.dumps(made[1].document())
    assert log_lines(weights) == log_lines(made[0])


def test_a_stopped_run_continues_and_ends_with_the_same_bytes(made: Run, tmp_path: Path) -> None:
    weights = tmp_path / "new" / "weights.safetensors"
    stop_at(1, weights)
    assert {path.name for path in weights.parent.iterdir()} == {"weights.checkpoint", "weights.csv"}
    stop_at(2, weights)
    _, _, reports = run(tmp_path)
    assert [progress.step for progress in reports] == [3]
    assert weights.read_bytes() == made[0].read_bytes()
    assert log_lines(weights) == log_lines(made[0])
    assert not weights.with_suffix(".checkpoint").exists()


def test_a_checkpoint_of_other_settings_is_refused(tmp_path: Path) -> None:
    weights = tmp_path / "weights.safetensors"
    stop_at(1, weights)
    before = {path.name: path.read_bytes() for path in tmp_path.iterdir()}
    with pytest.raises(CheckpointError, match="a run with other settings"):
        run_training(SETTINGS.model_copy(update={"steps": 9}), weights, devices=[CPU], report=lambda progress: None)
    assert {path.name: path.read_bytes() for path in tmp_path.iterdir()} == before


def test_a_run_can_start_from_a_trained_network_of_the_same_shape(made: Run, tmp_path: Path) -> None:
    weights, _, _ = made
    slow = SETTINGS.model_copy(update={"steps": 1, "learning_rate": 1e-6, "seed": 4})
    continued, fresh = tmp_path / "on.safetensors", tmp_path / "afresh.safetensors"
    run_training(slow, continued, devices=[CPU], report=lambda progress: None, start=weights)
    run_training(slow, fresh, devices=[CPU], report=lambda progress: None)
    before, on, afresh = (load_weights(path).stem[0].weight for path in (weights, continued, fresh))
    assert (on - before).abs().max() < 1e-3 < (afresh - before).abs().max()
    with safe_open(continued, framework="pt") as file:
        assert file.metadata()["started_from"] == weights_sha256(weights)
    wider = slow.model_copy(update={"widths": (8, 8, 12, 12, 24)})
    with pytest.raises(WeightsError, match=r"24.*on\.safetensors|on\.safetensors.*24"):
        run_training(
            wider, tmp_path / "wider.safetensors", devices=[CPU], report=lambda progress: None, start=continued
        )
    with pytest.raises(WeightsError, match="nowhere"):
        run_training(slow, continued, devices=[CPU], report=lambda progress: None, start=tmp_path / "nowhere")


def test_a_teacher_of_another_shape_is_imitated_and_named(made: Run, tmp_path: Path) -> None:
    teacher, _, _ = made
    taught = SETTINGS.model_copy(update={"steps": 1, "widths": (4, 8, 8, 8, 12), "imitation_weight": 2.0})
    reports: list[TrainingProgress] = []
    weights = tmp_path / "taught.safetensors"
    run_training(taught, weights, devices=[CPU], report=reports.append, teacher=teacher)
    assert reports[-1].losses["imitation"] > 0
    with safe_open(weights, framework="pt") as file:
        assert file.metadata()["taught_by"] == weights_sha256(teacher)


def test_a_run_can_continue_with_smaller_batches(tmp_path: Path) -> None:
    weights = tmp_path / "weights.safetensors"
    stop_at(2, weights)
    reports: list[TrainingProgress] = []
    smaller = SETTINGS.model_copy(update={"batch": 1, "processes": 2})
    run_training(smaller, weights, devices=[CPU], report=reports.append)
    assert [progress.step for progress in reports] == [3]


def test_predicted_errors_are_scaled_to_the_size_of_real_ones(
    made: Run, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    measured_on: list[list[float]] = []

    def fake_measure(network: EggNetwork, pictures: Iterable[tuple[torch.Tensor, Labels]]) -> HeldOutMetrics:
        """Metrics in which the errors are twice and half of the predicted ones."""
        measured_on.append([float(batch.mean()) for batch, _ in pictures])
        overall = replace(made[1].strata["all"], centre_error_ratio=2.0, axis_error_ratio=0.5)
        return replace(made[1], strata={**made[1].strata, "all": overall})

    monkeypatch.setattr(training_run, "measure", fake_measure)
    weights = tmp_path / "weights.safetensors"
    run_training(SETTINGS.model_copy(update={"held_out_every_steps": 9}), weights, devices=[CPU], report=lambda _: None)
    before, after = (load_weights(path).state_dict() for path in (made[0], weights))
    moved = after["head.1.bias"] - before["head.1.bias"]
    expected = torch.zeros(CHANNEL_COUNT)
    expected[CHANNELS["uncertainty"]] = torch.tensor([2.0, 0.5]).log()
    torch.testing.assert_close(moved, expected, rtol=0, atol=2e-3)
    assert all(torch.equal(before[name], after[name]) for name in before if name != "head.1.bias")
    # Calibrated on the pictures that follow those of the training, measured on others.
    phantoms = PhantomPictures(
        StreamSettings(animals=2, batch=2, processes=1, batches_per_render=2), SETTINGS.seed, CPU
    )
    assert measured_on[0][0] == pytest.approx(float(phantoms.batch(SETTINGS.steps)[0].mean()))
    assert len(measured_on) == 2


def test_settings_are_selected_by_name_with_changes() -> None:
    stream = select_settings(StreamSettings, SETTINGS, animals=7)
    assert stream == StreamSettings(animals=7, batch=2, side_px=256, processes=1, batches_per_render=2)
    assert select_settings(NetworkConfig, SETTINGS) == NetworkConfig(SETTINGS.widths, SETTINGS.blocks)
    with pytest.raises(TypeError, match="loss"):
        select_settings(LoopSettings, SETTINGS)


@pytest.mark.parametrize("name", ["training.toml", "training_continued.toml"])
def test_the_shipped_settings_load_and_have_other_held_out_animals(name: str) -> None:
    settings = load_training_settings(config_path(name))
    assert settings.held_out_seed != settings.seed
    assert settings.warm_up_steps < settings.steps
    # Metrics are written with a report.
    assert settings.held_out_every_steps % settings.report_every_steps == 0


def test_a_wrong_key_and_a_wrong_value_are_named(tmp_path: Path) -> None:
    text = config_path("training.toml").read_text(encoding="utf-8")
    path = tmp_path / "training.toml"
    path.write_text(text.replace("warm_up_steps", "warmup_steps"), encoding="utf-8")
    with pytest.raises(
        ConfigError, match=r"training\.toml, line \d+, key 'warmup_steps': unknown key; did you mean 'warm_up"
    ):
        load_training_settings(path)
    path.write_text(text.replace("ema_decay = 0.", "ema_decay = 1."), encoding="utf-8")
    with pytest.raises(ConfigError, match=r"key 'ema_decay'.*less than 1"):
        load_training_settings(path)
    with pytest.raises(ConfigError, match="cannot be read"):
        load_training_settings(tmp_path / "none.toml")
