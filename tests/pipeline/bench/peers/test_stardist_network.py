"""StarDist: its label pictures, and in the environment of the peers a short training and what it finds."""

from __future__ import annotations

import json
from importlib.util import find_spec
from pathlib import Path

import pytest
import torch

from models.ellipse import overlap
from models.targets import Labels, Role
from pipeline.bench.methods.method import MethodError
from pipeline.bench.peers.environment import run_in_environment
from pipeline.bench.peers.networks import NETWORKS
from pipeline.bench.peers.peer_training import peer_training
from pipeline.bench.peers.stardist_network import instance_labels
from tests.pipeline.bench.peers.peers_python import peers_python

EGG, CROSSING, FOLLICLE = [20.0, 20.0, 10.0, 10.0, 0.0], [30.0, 20.0, 10.0, 10.0, 0.0], [50.0, 50.0, 8.0, 6.0, 0.0]

PROGRAM = """
import json, sys, torch
from models.targets import Labels
from pipeline.bench.peers.networks import NETWORKS, load_network
from pipeline.bench.peers.peer_training import peer_training
from pipeline.bench.peers.trainable_network import NAME

side, cpu = 64, torch.device("cpu")
ellipses = torch.tensor([[[20.0, 44.0, 14.0, 10.0, 0.0]]] * 2)
pixel = torch.arange(float(side))
inside = ((pixel - 20) / 14) ** 2 + ((pixel[:, None] - 44) / 10) ** 2 <= 1
pictures = 0.1 + 0.8 * inside.float().expand(2, 1, side, side)
labels = Labels(ellipses, torch.full((2, 1), 2), torch.ones(2, 1, dtype=torch.int64), torch.ones(2, 1), torch.ones(2))
kind, settings = NETWORKS["stardist"](), peer_training("stardist", minutes=1, batch=2)
learner = kind.begin(settings, cpu)
losses = [learner.take_step(step, pictures, labels, 3e-3).item() for step in range(100)]
other = kind.begin(settings, cpu)
other.restore(learner.state())
again = [each.take_step(100, pictures, labels, 1e-3).item() for each in (learner, other)]
learner.save(sys.argv[1], {NAME: "stardist"})
name, find = load_network(sys.argv[1])
best = max(find(pictures[0, 0].numpy()), key=lambda each: each["score"])
print(json.dumps([name, losses[0], losses[-1], again, best]))
"""


def test_objects_are_numbered_and_ignored_ones_are_not_learned() -> None:
    labels = Labels(
        ellipses=torch.tensor([[FOLLICLE, EGG, CROSSING]] * 2),
        stage=torch.tensor([[0, 1, 2]] * 2),
        role=torch.tensor([[Role.IGNORED, Role.TARGET, Role.TARGET], [Role.EMPTY] * 3]),
        visible=torch.ones(2, 3),
        mm_per_px=torch.ones(2),
    )
    (drawn, empty), classes = instance_labels(labels, 64)
    assert (drawn[20, 15], drawn[20, 25], drawn[50, 50], drawn[2, 2]) == (2, 3, -1, 0)
    assert classes == [{2: 2, 3: 3}, {}]
    assert not empty.any()


@pytest.mark.skipif(find_spec("stardist") is not None, reason="StarDist is installed here")
def test_without_its_library_the_environment_is_named() -> None:
    with pytest.raises(MethodError, match="bench peers-environment"):
        NETWORKS["stardist"]().begin(peer_training("stardist", minutes=1), torch.device("cpu"))


def test_it_learns_one_egg_in_its_environment(tmp_path: Path) -> None:
    printed = run_in_environment(peers_python(), ["-c", PROGRAM, str(tmp_path / "stardist.safetensors")])
    name, first, last, again, best = json.loads(printed.splitlines()[-1])
    assert name == "stardist"
    assert last < first / 2
    assert again[0] == pytest.approx(again[1], rel=1e-4)
    assert best["category_id"] == 3
    assert overlap(best["ellipse"], [20.0, 44.0, 14.0, 10.0, 0.0])[0, 0] > 0.5
