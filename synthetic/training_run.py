"""One training run from one file: phantoms, network, held-out figures, weights."""

from __future__ import annotations

import json
from collections.abc import Callable
from pathlib import Path
from typing import Annotated, Literal

import torch
from pydantic import BaseModel, ConfigDict, Field

from configs.reading import read_toml
from models.network import EggNetwork, NetworkShape, save_weights
from models.training import LoopSettings, Progress, train
from synthetic.dataset import StreamSettings, stream
from synthetic.held_out import HeldOutFigures, measure

__all__ = ["TrainingSettings", "load_training_settings", "run_training"]

_Count = Annotated[int, Field(ge=1)]
_Rate = Annotated[float, Field(gt=0, lt=1)]


class TrainingSettings(BaseModel):
    """``configs/training.toml``, where every value has its meaning beside it."""

    model_config = ConfigDict(frozen=True, extra="forbid")

    seed: Annotated[int, Field(ge=0)]
    steps: _Count
    batch: _Count
    animals: _Count
    processes: _Count
    frames: Literal[1, 3]
    told_scale: bool
    learning_rate: _Rate
    warm_up_steps: _Count
    weight_decay: Annotated[float, Field(ge=0, lt=1)]
    average_decay: _Rate
    report_every_steps: _Count
    held_out_seed: Annotated[int, Field(ge=0)]
    held_out_animals: _Count
    held_out_pictures: _Count


def load_training_settings(path: Path) -> TrainingSettings:
    """Raises configs.reading.ConfigError for a missing or wrong file."""
    return read_toml(path, TrainingSettings)


def run_training(
    settings: TrainingSettings,
    weights: Path,
    *,
    device: torch.device,
    report: Callable[[Progress], None],
) -> HeldOutFigures:
    """Train, measure on phantoms of the held-out seed, and write the weights with settings and figures inside."""
    torch.manual_seed(settings.seed)
    trained = train(
        EggNetwork(NetworkShape(frames=settings.frames, told_scale=settings.told_scale)),
        stream(
            StreamSettings(
                animals=settings.animals,
                batch=settings.batch,
                processes=settings.processes,
                frames=settings.frames,
                told_scale=settings.told_scale,
            ),
            settings.seed,
            device,
        ),
        LoopSettings(
            steps=settings.steps,
            learning_rate=settings.learning_rate,
            warm_up_steps=settings.warm_up_steps,
            weight_decay=settings.weight_decay,
            average_decay=settings.average_decay,
            report_every_steps=settings.report_every_steps,
        ),
        device=device,
        report=report,
    )
    notes = {"settings": settings.model_dump_json()}
    weights.parent.mkdir(parents=True, exist_ok=True)
    save_weights(trained, weights, notes)  # first, so that nothing that follows can lose them
    figures = held_out_figures(settings, trained, device)
    save_weights(trained, weights, {**notes, "held_out": json.dumps(figures.document())})
    return figures


def held_out_figures(settings: TrainingSettings, network: EggNetwork, device: torch.device) -> HeldOutFigures:
    """Figures on pictures of phantoms that were never trained on."""
    batch = min(64, settings.held_out_pictures)
    pictures = stream(
        StreamSettings(
            animals=settings.held_out_animals,
            batch=batch,
            processes=settings.processes,
            frames=settings.frames,
            told_scale=settings.told_scale,
        ),
        settings.held_out_seed,
        device,
    )
    return measure(network, pictures, rounds=max(1, settings.held_out_pictures // batch))
