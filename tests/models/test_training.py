"""A few steps of training on pictures of rings, on the CPU."""

from __future__ import annotations

import copy
from collections.abc import Iterator
from dataclasses import replace
from itertools import islice, pairwise
from pathlib import Path

import numpy as np
import pytest
import torch
from numpy.typing import NDArray
from torch import Tensor

from models.imitation import imitation_loss
from models.losses import Loss, LossSettings
from models.network import EggNetwork
from models.targets import Labels
from models.training import LoopSettings, Trainer, TrainingError, TrainingProgress
from models.weights_file import NetworkConfig
from tests.models.rings import ring_batches

CPU = torch.device("cpu")
SIDE = 64

SETTINGS = LoopSettings(
    steps=24,
    learning_rate=3e-3,
    warm_up_steps=4,
    weight_decay=0.01,
    ema_decay=0.8,
    report_every_steps=5,
    loss=LossSettings(l1_weight=4.0, overlap_weight=2.0, object_balance=0.5),
)


def small_network(seed: int = 0) -> EggNetwork:
    torch.manual_seed(seed)
    return EggNetwork(NetworkConfig(widths=(8, 8, 12, 12, 16), blocks=(1, 1, 1, 1, 1)))


def trained(settings: LoopSettings, start: EggNetwork | None = None) -> tuple[EggNetwork, list[TrainingProgress]]:
    training = Trainer(start or small_network(), settings, CPU)
    reports = list(training.run(ring_batches(6, side_px=SIDE, seed=2)))
    return training.averaged_network(), reports


def flat_weights(network: EggNetwork) -> NDArray[np.float32]:
    """All weights in one row."""
    return np.concatenate([values.detach().numpy().ravel() for values in network.parameters()])


def flat_state(network: EggNetwork) -> NDArray[np.float64]:
    """All weights and the statistics of the normalisation layers, in one row."""
    state = network.state_dict().values()
    return np.concatenate([values.double().numpy().ravel() for values in state if values.is_floating_point()])


def test_a_few_steps_lower_every_loss() -> None:
    _, reports = trained(replace(SETTINGS, report_every_steps=1))
    assert all(np.isfinite(list(progress.losses.values())).all() for progress in reports)
    for name in ("total", "centre", "stage", "shape"):
        first, last = (np.mean([p.losses[name] for p in part]) for part in (reports[:4], reports[-4:]))
        assert last < 0.8 * first, name


def test_progress_is_reported_every_few_steps_and_at_the_end() -> None:
    _, reports = trained(replace(SETTINGS, steps=12))
    assert [progress.step for progress in reports] == [5, 10, 12]
    assert {progress.steps for progress in reports} == {12}
    assert all(progress.pictures_per_second > 0 for progress in reports)
    names = {"total", "centre", "stage", "offset", "shape", "overlap", "uncertainty", "imitation"}
    assert all(set(progress.losses) == names for progress in reports)


def test_the_same_seed_gives_the_same_network() -> None:
    settings = replace(SETTINGS, steps=3)

    def run(seed: int) -> NDArray[np.float64]:
        return flat_state(trained(settings, small_network(seed))[0])

    first = run(7)
    np.testing.assert_array_equal(run(7), first)
    assert not np.array_equal(run(8), first)


def test_the_result_is_the_running_average_in_evaluation_mode() -> None:
    start = small_network()
    training = Trainer(start, replace(SETTINGS, steps=6, report_every_steps=1, ema_decay=0.3), CPU)
    steps = [flat_state(start) for _ in training.run(ring_batches(4, side_px=SIDE, seed=2))]
    expected = steps[0]
    for share, weights in zip((10 / 11, 10 / 12, 10 / 13, 10 / 14, 0.7), steps[1:], strict=True):
        expected = (1 - share) * expected + share * weights
    network = training.averaged_network()
    np.testing.assert_allclose(flat_state(network), expected, atol=1e-6)
    assert np.abs(expected - steps[-1]).max() > 1e-4  # the average differs from the last weights
    assert not network.training
    counters = [values for name, values in network.state_dict().items() if name.endswith("num_batches_tracked")]
    assert {int(values) for values in counters} == {6}


def test_the_learning_rate_warms_up_and_falls_to_0() -> None:
    # AdamW's first step moves every weight by the learning rate, and later steps by about as much, so the moves
    # follow the schedule.
    start = small_network()
    weights = [flat_weights(start)]
    settings = replace(SETTINGS, steps=40, warm_up_steps=10, weight_decay=0.0, report_every_steps=1)
    rates = []
    for progress in Trainer(start, settings, CPU).run(ring_batches(2, side_px=SIDE, seed=2)):
        weights.append(flat_weights(start))
        rates.append(progress.learning_rate)
    moves = np.array([np.abs(after - before).max() for before, after in pairwise(weights)])
    assert len(moves) == 40
    assert moves[0] == pytest.approx(settings.learning_rate / 10, rel=0.05)
    assert moves[9] > 4 * moves[0]
    assert moves[-1] < 0.02 * moves.max()
    assert moves[30:].max() < 0.5 * moves.max()
    # The report states the rate of the next step.
    assert rates[0] == pytest.approx(settings.learning_rate * 2 / 10)
    assert rates[9] == pytest.approx(settings.learning_rate)
    assert rates[-1] == pytest.approx(0.0, abs=1e-12)


def test_the_reported_losses_are_the_means_since_the_last_report() -> None:
    single = trained(replace(SETTINGS, steps=5, report_every_steps=1))[1]
    together = trained(replace(SETTINGS, steps=5, report_every_steps=3))[1]
    assert [progress.step for progress in together] == [3, 5]
    for progress, part in zip(together, (single[:3], single[3:]), strict=True):
        for name, value in progress.losses.items():
            assert value == pytest.approx(np.mean([one.losses[name] for one in part]), rel=1e-5), name


@pytest.mark.parametrize("stopped_at", [1, 4])
def test_a_stopped_training_continues_with_the_same_result(stopped_at: int, tmp_path: Path) -> None:
    settings = replace(SETTINGS, steps=7, report_every_steps=1)
    whole = Trainer(small_network(), settings, CPU)
    reports = list(whole.run(ring_batches(3, side_px=SIDE, seed=2)))

    first = Trainer(small_network(), settings, CPU)
    for progress in first.run(ring_batches(3, side_px=SIDE, seed=2)):
        if progress.step == stopped_at:
            break
    torch.save(first.state(), tmp_path / "state")
    second = Trainer(small_network(seed=9), settings, CPU)
    second.restore(torch.load(tmp_path / "state", weights_only=True))
    rest = islice(ring_batches(3, side_px=SIDE, seed=2), stopped_at, None)
    later = list(second.run(rest))
    assert [progress.losses for progress in later] == [progress.losses for progress in reports[stopped_at:]]
    np.testing.assert_array_equal(flat_state(second.averaged_network()), flat_state(whole.averaged_network()))


def test_cudnn_chooses_the_fastest_convolutions(monkeypatch: pytest.MonkeyPatch) -> None:
    training = Trainer(small_network(), replace(SETTINGS, steps=1), CPU)
    seen: list[tuple[bool, bool]] = []

    def watched(pictures: torch.Tensor, labels: Labels) -> Loss:
        seen.append((torch.backends.cudnn.enabled, torch.backends.cudnn.benchmark))
        return training._losses(pictures, labels)

    monkeypatch.setattr(training, "_compiled_losses", watched)
    list(training.run(ring_batches(2, side_px=SIDE, seed=2)))
    assert seen == [(True, True)]
    assert not torch.backends.cudnn.benchmark  # unchanged outside the training


def test_a_step_compiles_to_one_graph() -> None:
    # On a GPU a step is compiled; a break in its graph would cost more time than compiling saves.
    training = Trainer(small_network(), SETTINGS, CPU)
    pictures, labels = next(ring_batches(2, side_px=SIDE, seed=2))
    explanation = torch._dynamo.explain(training._losses)(pictures, labels)
    assert (explanation.graph_count, explanation.graph_break_count) == (1, 0)


def test_training_starts_from_the_given_network() -> None:
    network, _ = trained(replace(SETTINGS, steps=2, learning_rate=1e-9, weight_decay=0.0), small_network(seed=33))
    np.testing.assert_allclose(flat_weights(network), flat_weights(small_network(seed=33)), atol=1e-7)


def test_a_run_with_infinite_losses_stops_at_the_next_report() -> None:
    def batches_with_nan() -> Iterator[tuple[Tensor, Labels]]:
        for number, (pictures, labels) in enumerate(ring_batches(4, side_px=SIDE, seed=2), start=1):
            yield (pictures * float("nan") if number == 3 else pictures), labels

    training = Trainer(small_network(), replace(SETTINGS, steps=8, report_every_steps=2), CPU)
    reports: list[TrainingProgress] = []
    with pytest.raises(TrainingError, match=r"Between steps 3 and 4 .* lower the learning rate"):
        reports += training.run(batches_with_nan())
    assert training.step == 4


def test_a_teacher_is_followed_where_labels_are_silent() -> None:
    teacher, student = small_network(seed=4), small_network(seed=5)
    pictures = torch.stack([batch for batch, _ in islice(ring_batches(6, side_px=SIDE, seed=3), 2)]).flatten(0, 1)

    def distance(network: EggNetwork) -> float:
        with torch.no_grad():
            return float(imitation_loss(network.eval()(pictures), teacher(pictures)))

    settings = replace(SETTINGS, loss=replace(SETTINGS.loss, imitation_weight=20.0))
    without, taught = (Trainer(copy.deepcopy(student), settings, CPU, one) for one in (None, teacher))
    for training in (without, taught):
        list(training.run(ring_batches(6, side_px=SIDE, seed=2)))
    assert distance(taught.averaged_network()) < 0.5 * distance(without.averaged_network())
