"""Networks trained for a comparison: their targets, a few steps on the CPU, and what they find as outlines."""

from __future__ import annotations

import copy
from collections.abc import Callable, Iterator
from dataclasses import replace
from itertools import count
from pathlib import Path

import numpy as np
import pytest
import torch
from torch import Tensor

from models.checkpoint import CheckpointError
from models.ellipse import area, overlap
from models.targets import Labels, Role
from models.training import TrainingError
from models.weights_file import shipped_weights
from pipeline.bench.methods.method import MethodError, Origin, load_method
from pipeline.bench.peers import networks, torchvision_networks
from pipeline.bench.peers.networks import NETWORKS, load_network
from pipeline.bench.peers.object_masks import object_masks, pixel_classes
from pipeline.bench.peers.our_network import our_network
from pipeline.bench.peers.peer_training import TimedTraining, _rate_share, peer_training, train_peer
from pipeline.bench.peers.torch_network import TorchNetwork
from pipeline.bench.peers.torchvision_networks import mask_rcnn
from pipeline.bench.peers.training_notes import learned_from_notes
from pipeline.cli.bench_peers_commands import PeerNetwork
from pipeline.cli.exit_codes import ExitCode
from tests.pipeline.conftest import Clutchlight

SIDE = 64
EGG, FOLLICLE = [30.0, 20.0, 14.0, 9.0, 25.0], [50.0, 50.0, 8.0, 6.0, -70.0]
OUTSIDE = [-50.0, -50.0, 9.0, 9.0, 0.0]
CPU = torch.device("cpu")


def labels(pictures: int) -> Labels:
    """A calcified egg, an ignored follicle and an object outside, in each picture but the first, which is empty."""
    role = torch.tensor([[Role.EMPTY] * 3] + [[Role.TARGET, Role.IGNORED, Role.TARGET]] * (pictures - 1))
    return Labels(
        ellipses=torch.tensor([[EGG, FOLLICLE, OUTSIDE]] * pictures),
        stage=torch.tensor([[2, 0, 1]] * pictures),
        role=role,
        visible=torch.ones(pictures, 3),
        mm_per_px=torch.ones(pictures),
    )


class DrawnBatches:
    """Bright eggs on noise. A batch depends on its number alone."""

    def batches(self, first: int = 0) -> Iterator[tuple[Tensor, Labels]]:
        known, pictures = labels(2), 2
        for number in count(first):
            noise = torch.rand(pictures, 1, SIDE, SIDE, generator=torch.Generator().manual_seed(number))
            noise[1, 0][object_masks(torch.tensor([EGG]), SIDE)[0]] += 1
            yield noise / 2, known


def test_the_masks_of_objects_are_their_ellipses() -> None:
    mask = object_masks(torch.tensor([EGG]), SIDE)[0].numpy()
    assert mask.sum() == pytest.approx(area(EGG)[0], rel=0.02)
    ellipse = torchvision_networks._outline(mask, 3, 0.5)["ellipse"]
    assert overlap(ellipse, EGG)[0, 0] > 0.95


def test_mask_rcnn_is_given_boxes_around_what_is_in_the_picture() -> None:
    target = torchvision_networks._mask_rcnn_targets(labels(2), SIDE)[1]
    assert target["labels"].tolist() == [3]
    left, top, right, bottom = target["boxes"][0].tolist()
    mask = target["masks"][0].bool()
    assert mask[int(top) : int(bottom), int(left) : int(right)].sum() == mask.sum()
    assert mask[int(top)].any()
    assert mask[:, int(right) - 1].any()
    empty = torchvision_networks._mask_rcnn_targets(labels(2), SIDE)[0]
    assert (empty["boxes"].shape, empty["masks"].shape) == ((0, 4), (0, SIDE, SIDE))


def test_pixels_of_ignored_objects_do_not_count() -> None:
    empty, classes = pixel_classes(labels(2), SIDE, ignored=255)
    assert (classes[20, 30], classes[50, 50], classes[2, 2]) == (3, 255, 0)
    assert not empty.any()


def test_the_last_object_lies_on_top() -> None:
    crossing = labels(2)
    crossing.ellipses[1, 2] = torch.tensor(EGG) + torch.tensor([5.0, 0.0, 0.0, 0.0, 0.0])
    crossing.ellipses[1, 1] = torch.tensor(EGG)
    _, classes = pixel_classes(crossing, SIDE, ignored=255)
    assert (classes[20, 33], classes[20, 19]) == (2, 3)


def test_every_network_can_be_chosen() -> None:
    assert set(NETWORKS) == set(PeerNetwork)


@pytest.mark.parametrize("name", ["lraspp", "ours"])
def test_a_stopped_run_continues(name: str, tmp_path: Path) -> None:
    settings = peer_training(name, minutes=8, batch=2, learning_rate=1e-3)
    with pytest.raises(KeyboardInterrupt):
        train_peer(settings, tmp_path / "a.safetensors", DrawnBatches, device=CPU, report=stop_at(240), clock=clock())
    assert (tmp_path / "a.checkpoint").exists()
    other = settings.model_copy(update={"minutes": 5})
    with pytest.raises(CheckpointError, match="other settings"):
        train_peer(other, tmp_path / "a.safetensors", DrawnBatches, device=CPU, report=ignore, clock=clock())
    for file in ("a", "b"):
        path = tmp_path / f"{file}.safetensors"
        # A minute goes by before the first step, so the run that was stopped has one step less.
        done = train_peer(settings, path, DrawnBatches, device=CPU, report=ignore, clock=clock())
        assert done == (TimedTraining(6, 12) if file == "a" else TimedTraining(7, 14))
        assert not path.with_suffix(".checkpoint").exists()
        assert load_network(str(path))[0] == name


@pytest.mark.parametrize("name", ["lraspp", "ours"])
def test_a_few_steps_lower_the_loss(name: str) -> None:
    learner = NETWORKS[name]().begin(peer_training(name, minutes=1, batch=2), CPU)
    pictures, known = next(DrawnBatches().batches(99))
    losses = [learner.take_step(step, pictures, known, 1e-3).item() for step in range(6)]
    assert losses[-1] < losses[0]


@pytest.mark.parametrize("name", ["lraspp", "ours"])
def test_a_restored_learner_takes_the_same_step(name: str) -> None:
    settings = peer_training(name, minutes=1, batch=2)
    pictures, known = next(DrawnBatches().batches(99))
    first, second = (NETWORKS[name]().begin(settings, CPU) for _ in range(2))
    first.take_step(0, pictures, known, 1e-3)
    second.restore(copy.deepcopy(first.state()))
    losses = [[each.take_step(step, pictures, known, 1e-3).item() for step in (1, 2)] for each in (first, second)]
    assert losses[0] == pytest.approx(losses[1], rel=1e-5)


def test_the_time_before_the_first_step_counts(tmp_path: Path) -> None:
    settings = peer_training("ours", minutes=1, batch=2)
    used: list[float] = []
    now = iter([0.0, 50.0, 55.0, 65.0])
    path = tmp_path / "a.safetensors"
    done = train_peer(
        settings, path, DrawnBatches, device=CPU, report=lambda one, _: used.append(one), clock=lambda: next(now)
    )
    assert (done.steps, used) == (2, [55.0, 65.0])


def test_a_loss_that_is_no_number_ends_the_run(tmp_path: Path) -> None:
    class Broken(DrawnBatches):
        def batches(self, first: int = 0) -> Iterator[tuple[Tensor, Labels]]:
            return ((pictures * float("nan"), known) for pictures, known in super().batches(first))

    settings = peer_training("lraspp", minutes=1, batch=2)
    with pytest.raises(TrainingError, match="step 1"):
        train_peer(settings, tmp_path / "a.safetensors", Broken, device=CPU, report=ignore)


def test_the_learning_rate_rises_and_falls_over_the_time() -> None:
    rates = [_rate_share(share) for share in np.linspace(0, 1, 101)]
    assert np.argmax(rates) == 4
    assert rates[0] < 0.05
    assert rates[-1] == pytest.approx(0, abs=1e-9)


@pytest.mark.parametrize("kind", [mask_rcnn(), our_network()], ids=["mask-rcnn", "ours"])
def test_a_network_takes_the_labels_and_answers_in_outlines(kind: TorchNetwork) -> None:
    pictures, known = next(DrawnBatches().batches())
    network = kind.build()
    loss = kind.loss(network.train(), pictures, known)
    assert loss.isfinite()
    assert loss > 0
    with torch.no_grad():
        found = kind.outlines(network.eval(), pictures[1:])
    assert all(0 <= each["score"] <= 1 and each["category_id"] in (1, 2, 3) for each in found)


def test_shipped_weights_are_ours() -> None:
    name, find = load_network(str(shipped_weights()), "cpu")
    assert (name, find(np.zeros((256, 256), np.float32))) == ("ours", [])


def test_the_shipped_weights_say_what_their_last_run_learned_from() -> None:
    assert learned_from_notes(shipped_weights()) == "2,688,000 pictures in 14,000 steps, after other runs"


def clock() -> Callable[[], float]:
    """Each step takes a minute, and so does what comes before the first one."""
    calls = count()
    return lambda: 60.0 * next(calls)


def ignore(used: float, total: float) -> None:
    assert 0 < used <= total


def stop_at(limit: float) -> Callable[[float, float], None]:
    def report(used: float, total: float) -> None:
        if used >= limit:
            raise KeyboardInterrupt

    return report


def test_outlines_of_a_trained_network_lie_in_the_frame(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """The part that is not black is scaled to the network's input, and what is found there back."""
    given: list[np.ndarray] = []

    def found(picture: np.ndarray) -> list[dict[str, object]]:
        given.append(picture)
        ellipse = [127.5, 127.5, 64.0, 32.0, 0.0]
        return [{"ellipse": ellipse, "score": score, "category_id": 3} for score in (0.9, 0.01)]

    monkeypatch.setattr(networks, "load_network", lambda path, device: ("lraspp", found))
    frame = np.zeros((200, 300), np.uint8)
    frame[40:168, 100:228] = 80
    method = load_method(f"pipeline.bench.peers.trained_network:find,weights={tmp_path / 'a'}")
    assert set(method.ranges) == {"least_score"}
    nothing, outlines = method.outlines([np.zeros((9, 9), np.uint8), frame])
    (strict,) = replace(method, settings={**method.settings, "least_score": 0.95}).outlines([frame])
    assert nothing == strict == []
    assert len(given) == 1  # the answer was kept
    assert given[0].shape == (256, 256)
    assert given[0] == pytest.approx(80 / 255)
    assert [(each["ellipse"], each["category_id"]) for each in outlines] == [([163.5, 103.5, 32.0, 16.0, 0.0], 3)]


def test_a_missing_file_is_explained() -> None:
    picture = np.full((9, 9), 9, np.uint8)
    for given in ("", f",weights={shipped_weights()},device=abacus"):
        with pytest.raises(MethodError, match="bench train-peer"):
            list(load_method(f"pipeline.bench.peers.trained_network:find{given}").outlines([picture]))


def test_the_command_trains_on_phantoms(clutchlight: Clutchlight, tmp_path: Path) -> None:
    out = tmp_path / "peer.safetensors"
    options = ["--minutes", "0.0001", "--batch", 2, "--animals", 2]
    done = clutchlight("bench", "train-peer", "lraspp", "--out", out, *options)
    assert done.code == ExitCode.DONE, done.stderr
    assert done.stdout.startswith("1 step, 2 pictures in 0.0001 minutes")
    assert load_network(str(out))[0] == "lraspp"
    origin = load_method(f"pipeline.bench.peers.trained_network:find,weights={out}").origin()
    device = "GPU" if torch.cuda.is_available() else "CPU"
    assert origin == Origin("peer", f"0.0001 minutes of a {device}: 2 pictures in 1 step, from random weights")
    assert clutchlight("bench", "train-peer", "fcn", "--out", out, "--minutes", 0).code == ExitCode.USAGE
