"""A few steps of training on drawn rings, on the CPU."""

from __future__ import annotations

from dataclasses import replace
from itertools import pairwise

import numpy as np
import pytest
import torch
from numpy.typing import NDArray

from models.network import EggNetwork, NetworkShape
from models.training import LoopSettings, Progress, train
from tests.models.rings import ring_batches

CPU = torch.device("cpu")
SIDE = 64

SETTINGS = LoopSettings(
    steps=24,
    learning_rate=3e-3,
    warm_up_steps=4,
    weight_decay=0.01,
    average_decay=0.8,
    report_every_steps=5,
)


def small_network(seed: int = 0) -> EggNetwork:
    torch.manual_seed(seed)
    return EggNetwork(NetworkShape(widths=(8, 8, 12, 12, 16), blocks=(1, 1, 1, 1, 1)))


def trained(settings: LoopSettings, *, start: EggNetwork | None = None) -> tuple[EggNetwork, list[Progress]]:
    seen: list[Progress] = []
    network = train(
        start or small_network(),
        ring_batches(6, side_px=SIDE, seed=2),
        settings,
        device=CPU,
        report=seen.append,
    )
    return network, seen


def flat(network: EggNetwork) -> NDArray[np.float32]:
    """All weights in one row."""
    return np.concatenate([values.detach().numpy().ravel() for values in network.parameters()])


def with_averages(network: EggNetwork) -> NDArray[np.float64]:
    """All weights and what the normalisations have seen, in one row."""
    state = network.state_dict().values()
    return np.concatenate([values.double().numpy().ravel() for values in state if values.is_floating_point()])


def test_a_few_steps_lower_every_loss() -> None:
    _, seen = trained(replace(SETTINGS, report_every_steps=1))
    assert all(np.isfinite(list(progress.losses.values())).all() for progress in seen)
    for name in ("total", "centre", "stage", "shape"):
        first, last = (np.mean([p.losses[name] for p in part]) for part in (seen[:4], seen[-4:]))
        assert last < 0.8 * first, name


def test_progress_is_reported_every_few_steps_and_at_the_end() -> None:
    _, seen = trained(replace(SETTINGS, steps=12))
    assert [progress.step for progress in seen] == [5, 10, 12]
    assert {progress.steps for progress in seen} == {12}
    assert all(progress.pictures_per_second > 0 for progress in seen)
    assert all(set(p.losses) == {"total", "centre", "stage", "offset", "shape", "spread"} for p in seen)


def test_the_same_seed_gives_the_same_network() -> None:
    settings = replace(SETTINGS, steps=3)

    def run(seed: int) -> NDArray[np.float32]:
        network = train(small_network(seed), ring_batches(2, side_px=SIDE, seed=2), settings, device=CPU)
        return flat(network)

    first = run(7)
    np.testing.assert_array_equal(run(7), first)
    assert not np.array_equal(run(8), first)


def test_what_comes_back_is_the_running_average_ready_for_use() -> None:
    start = small_network()
    steps: list[NDArray[np.float64]] = []
    network = train(
        start,
        ring_batches(4, side_px=SIDE, seed=2),
        replace(SETTINGS, steps=6, report_every_steps=1),
        device=CPU,
        report=lambda progress: steps.append(with_averages(start)),  # the network in training, after each step
    )
    expected = steps[0]
    for weights in steps[1:]:
        expected = 0.8 * expected + 0.2 * weights
    np.testing.assert_allclose(with_averages(network), expected, atol=1e-6)
    assert np.abs(expected - steps[-1]).max() > 1e-4  # the average is not simply the last
    assert not network.training


def test_the_learning_rate_warms_up_and_falls_to_nothing() -> None:
    # AdamW's first step moves every weight by the learning rate, and later ones by about as much, so the moves show
    # the schedule.
    start = small_network()
    places = [flat(start)]
    settings = replace(SETTINGS, steps=40, warm_up_steps=10, weight_decay=0.0, report_every_steps=1)
    train(
        start,
        ring_batches(2, side_px=SIDE, seed=2),
        settings,
        device=CPU,
        report=lambda progress: places.append(flat(start)),
    )
    moves = np.array([np.abs(after - before).max() for before, after in pairwise(places)])
    assert len(moves) == 40
    assert moves[0] == pytest.approx(settings.learning_rate / 10, rel=0.05)
    assert moves[9] > 4 * moves[0]
    assert moves[-1] < 0.02 * moves.max()
    assert moves[30:].max() < 0.5 * moves.max()


def test_a_start_is_trained_further() -> None:
    network, _ = trained(replace(SETTINGS, steps=2, learning_rate=1e-9, weight_decay=0.0), start=small_network(seed=33))
    np.testing.assert_allclose(flat(network), flat(small_network(seed=33)), atol=1e-7)
