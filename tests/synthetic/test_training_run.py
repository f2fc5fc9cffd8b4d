from __future__ import annotations

import json
from collections.abc import Iterator
from pathlib import Path

import pytest
import torch
from safetensors import safe_open

from configs.reading import ConfigError, config_path
from models.network import EggNetwork, load_weights
from models.targets import Labels
from models.training import Progress
from synthetic import training_run
from synthetic.dataset import StreamSettings, stream
from synthetic.held_out import HeldOutFigures
from synthetic.training_run import TrainingSettings, load_training_settings, run_training

CPU = torch.device("cpu")
SETTINGS = TrainingSettings(
    seed=3,
    steps=2,
    batch=2,
    animals=2,
    processes=1,
    frames=1,
    told_scale=False,
    learning_rate=0.001,
    warm_up_steps=1,
    weight_decay=0.01,
    average_decay=0.9,
    report_every_steps=1,
    held_out_seed=4,
    held_out_animals=2,
    held_out_pictures=2,
)


def run(folder: Path) -> tuple[Path, HeldOutFigures, list[Progress]]:
    told: list[Progress] = []
    weights = folder / "new" / "weights.safetensors"
    figures = run_training(SETTINGS, weights, device=CPU, report=told.append)
    return weights, figures, told


@pytest.fixture(scope="module")
def made(tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, HeldOutFigures, list[Progress]]:
    return run(tmp_path_factory.mktemp("run"))


def tensors(weights: Path) -> dict[str, torch.Tensor]:
    return dict(load_weights(weights).state_dict())


def test_a_run_leaves_weights_that_load_and_answer(made: tuple[Path, HeldOutFigures, list[Progress]]) -> None:
    network = load_weights(made[0])
    assert isinstance(network, EggNetwork)
    assert not network.training
    with torch.inference_mode():
        answer = network(torch.zeros(1, 1, 64, 64))
    assert answer.shape == (1, 11, 16, 16)
    assert torch.isfinite(answer).all()


def test_weights_carry_the_settings_and_the_figures(made: tuple[Path, HeldOutFigures, list[Progress]]) -> None:
    weights, figures, _ = made
    with safe_open(weights, framework="pt") as stored:
        notes = stored.metadata()
    assert TrainingSettings.model_validate_json(notes["settings"]) == SETTINGS
    written = json.loads(notes["held_out"])
    assert written["pictures"] == figures.pictures == 2
    assert json.dumps(written) == json.dumps(figures.document())


def test_progress_is_told_to_the_last_step(made: tuple[Path, HeldOutFigures, list[Progress]]) -> None:
    told = made[2]
    assert [(one.step, one.steps) for one in told] == [(1, 2), (2, 2)]
    assert all(one.pictures_per_second > 0 for one in told)
    assert all(loss == loss and loss < 1e6 for one in told for loss in one.losses.values())


def test_two_steps_have_taught_something_and_the_same_seed_the_same(
    made: tuple[Path, HeldOutFigures, list[Progress]], tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    seeds: list[int] = []

    def watched(settings: StreamSettings, seed: int, device: torch.device) -> Iterator[tuple[torch.Tensor, Labels]]:
        seeds.append(seed)
        return stream(settings, seed, device)

    monkeypatch.setattr(training_run, "stream", watched)
    first, again = tensors(made[0]), tensors(run(tmp_path)[0])
    # What is judged by was never trained on.
    assert seeds == [SETTINGS.seed, SETTINGS.held_out_seed]
    assert all(torch.equal(first[name], again[name]) for name in first)
    torch.manual_seed(SETTINGS.seed)
    untaught = EggNetwork().state_dict()
    moved = [
        name
        for name in first
        if name.endswith("weight") and not torch.equal(first[name], untaught[name].half().float())
    ]
    assert len(moved) > 10


def test_the_shipped_settings_load_and_keep_held_out_animals_apart() -> None:
    settings = load_training_settings(config_path("training.toml"))
    assert settings.held_out_seed != settings.seed
    assert settings.warm_up_steps < settings.steps


def test_a_wrong_key_and_a_wrong_value_are_refused_by_name(tmp_path: Path) -> None:
    text = config_path("training.toml").read_text(encoding="utf-8")
    path = tmp_path / "training.toml"
    path.write_text(text.replace("warm_up_steps", "warmup_steps"), encoding="utf-8")
    with pytest.raises(
        ConfigError, match=r"training\.toml, line \d+, key 'warmup_steps': unknown key; did you mean 'warm_up"
    ):
        load_training_settings(path)
    path.write_text(text.replace("average_decay = 0.999", "average_decay = 1.999"), encoding="utf-8")
    with pytest.raises(ConfigError, match=r"key 'average_decay'.*less than 1"):
        load_training_settings(path)
    with pytest.raises(ConfigError, match="cannot be read"):
        load_training_settings(tmp_path / "none.toml")


def test_a_run_with_neighbouring_frames_and_the_scale_makes_a_network_that_takes_them(tmp_path: Path) -> None:
    weights = tmp_path / "weights.safetensors"
    settings = SETTINGS.model_copy(update={"frames": 3, "told_scale": True, "steps": 1})
    run_training(settings, weights, device=CPU, report=lambda progress: None)
    network = load_weights(weights)
    assert (network.shape.frames, network.shape.told_scale) == (3, True)
    with torch.inference_mode():
        assert network(torch.zeros(1, 4, 64, 64)).shape == (1, 11, 16, 16)
