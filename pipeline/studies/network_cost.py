"""What the network of each run costs: operations and weights, and time on one core of this processor."""

from __future__ import annotations

import time
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from importlib.util import find_spec
from pathlib import Path
from statistics import median

import numpy as np
import torch

from models.network import EggNetwork
from models.network_work import count_work
from models.openvino_engine import OpenVinoEngine
from models.output_channels import INPUT_SIDE_PX
from models.weights_file import NetworkConfig
from synthetic.training.training_run import TrainingSettings, select_settings

__all__ = ["NetworkCost", "network_costs", "network_size"]

_ROUNDS = 15  # of one picture each
_MOST_SECONDS = 60.0  # that all rounds may take; at least one is always taken


@dataclass(frozen=True)
class NetworkCost:
    """gflop : 10^9 operations a picture, a multiplication and an addition being two;  parameters : that are learned
    milliseconds : a picture on one core, the median of several, by this engine
    """

    gflop: float
    parameters: int
    milliseconds: float
    engine: str


def network_costs(runs: Sequence[tuple[TrainingSettings, Path]]) -> list[NetworkCost]:
    """Those of some runs and their weights files. They take turns, so that other work on this machine meets them all.

    By OpenVINO if it is installed and can run all of them, else by PyTorch.
    """
    by_openvino = find_spec("openvino") is not None and all(
        settings.frames == 1 and settings.side_px == INPUT_SIDE_PX for settings, _ in runs
    )
    shapes = [(select_settings(NetworkConfig, settings), settings.side_px) for settings, _ in runs]
    of_shape = dict(zip(shapes, (weights for _, weights in runs), strict=True))  # time is the same for all seeds
    ask = [_openvino(weights) if by_openvino else _torch(*shape) for shape, weights in of_shape.items()]
    threads = torch.get_num_threads()
    torch.set_num_threads(1)
    try:
        seconds = _seconds_in_turns(ask)
    finally:
        torch.set_num_threads(threads)
    engine = "OpenVINO" if by_openvino else "PyTorch"
    costs = {
        shape: NetworkCost(*network_size(*shape), 1e3 * time_of_shape, engine)
        for shape, time_of_shape in zip(of_shape, seconds, strict=True)
    }
    return [costs[shape] for shape in shapes]


def _seconds_in_turns(ask: Sequence[Callable[[], object]]) -> list[float]:
    for each in ask:
        each()  # loads and chooses kernels
    taken: list[list[float]] = [[] for _ in ask]
    begun = time.perf_counter()
    while len(taken[-1]) < _ROUNDS and (not taken[-1] or time.perf_counter() - begun < _MOST_SECONDS):
        for times, each in zip(taken, ask, strict=True):
            since = time.perf_counter()
            each()
            times.append(time.perf_counter() - since)
    return [median(times) for times in taken]


def _openvino(weights: Path) -> Callable[[], object]:
    engine = OpenVinoEngine(weights, threads=1)
    picture = np.full((1, 1, INPUT_SIDE_PX, INPUT_SIDE_PX), 0.5, np.float32)
    return lambda: engine.run(picture)


def _torch(config: NetworkConfig, side_px: int) -> Callable[[], object]:
    network, picture = EggNetwork(config).eval(), torch.full((1, config.frames, side_px, side_px), 0.5)

    def ask() -> object:
        with torch.inference_mode():
            return network(picture)

    return ask


def network_size(config: NetworkConfig, side_px: int) -> tuple[float, int]:
    """10^9 operations a picture, and the number of parameters."""
    work = count_work(config, side_px)
    return work.operations / 1e9, work.parameters
