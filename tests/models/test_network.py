"""The network's form, and weights files that are whole, damaged, missing or another's."""

from __future__ import annotations

import hashlib
import json
from pathlib import Path

import numpy as np
import pytest
import torch
from safetensors import safe_open
from safetensors.torch import save_file

from models.errors import ClutchlightError
from models.network import EggNetwork, NetworkConfig, WeightsError, load_weights, save_weights
from models.output_channels import CHANNEL_COUNT, CHANNELS, STRIDE
from models.runtime import weights_sha256

SMALL = NetworkConfig(widths=(4, 6, 8, 8, 10), blocks=(1, 1, 1, 2, 1))


@pytest.fixture
def network() -> EggNetwork:
    """A small network with averages of its own in the normalisations."""
    torch.manual_seed(1)
    made = EggNetwork(SMALL)
    for _ in range(3):
        made(torch.rand(2, 1, 64, 64))
    return made.eval()


@pytest.mark.parametrize(("height", "width"), [(64, 64), (32, 96), (256, 256)])
def test_the_answer_is_a_grid_four_times_coarser(network: EggNetwork, height: int, width: int) -> None:
    with torch.inference_mode():
        answer = network(torch.rand(3, 1, height, width))
    assert answer.shape == (3, CHANNEL_COUNT, height // STRIDE, width // STRIDE)
    assert answer.dtype == torch.float32


def test_every_channel_means_one_thing() -> None:
    channels = [channel for part in CHANNELS.values() for channel in range(*part.indices(CHANNEL_COUNT))]
    assert channels == list(range(CHANNEL_COUNT))


def test_a_new_network_expects_few_middles() -> None:
    torch.manual_seed(0)
    with torch.no_grad():
        answer = EggNetwork()(torch.rand(1, 1, 64, 64))
    assert float(torch.sigmoid(answer[:, CHANNELS["centre"]]).mean()) == pytest.approx(0.01, abs=0.005)


def test_the_answer_moves_with_the_picture(network: EggNetwork) -> None:
    # A shift by the deepest level's stride is a shift of the answer by a whole number of cells, but for what little
    # of the borders reaches the middle.
    picture = torch.zeros(1, 1, 256, 256)
    picture[..., 96:128, 96:128] = torch.rand(32, 32)
    moved = picture.roll((32, 64), (2, 3))
    with torch.inference_mode():
        first, second = network(picture), network(moved)
    inner = np.s_[:, :, 20:36, 20:36]
    contrast = float(first[inner].std(dim=(2, 3)).min())
    torch.testing.assert_close(second.roll((-8, -16), (2, 3))[inner], first[inner], rtol=0, atol=0.1 * contrast)


def test_doubt_is_scaled_and_nothing_else(network: EggNetwork) -> None:
    picture = torch.rand(1, 1, 64, 64)
    with torch.inference_mode():
        before = network(picture)
    network.scale_uncertainty(centre=2.0, axes=0.5)
    with torch.inference_mode():
        change = network(picture) - before
    spread = change[:, CHANNELS["uncertainty"]].exp()
    torch.testing.assert_close(spread[0].mean((1, 2)), torch.tensor([2.0, 0.5]), rtol=1e-4, atol=0)
    assert not change[:, : CHANNELS["uncertainty"].start].any()


def test_weights_come_back_in_half_precision(network: EggNetwork, tmp_path: Path) -> None:
    path = tmp_path / "some.safetensors"
    save_weights(network, path, {"trained": "by hand"})
    loaded = load_weights(path)
    assert loaded.config == SMALL
    assert not loaded.training
    state = network.state_dict()
    assert loaded.state_dict().keys() == state.keys()
    for name, values in loaded.state_dict().items():
        assert values.dtype == state[name].dtype
        torch.testing.assert_close(values, state[name].half().to(values.dtype), rtol=0, atol=0)
    picture = torch.rand(1, 1, 64, 64)
    with torch.inference_mode():
        # Half precision keeps 11 bits of each weight.
        torch.testing.assert_close(loaded(picture), network(picture), rtol=0.02, atol=0.02)


def test_the_file_tells_the_networks_shape_and_the_notes(network: EggNetwork, tmp_path: Path) -> None:
    path = tmp_path / "some.safetensors"
    save_weights(network, path, {"held_out": "nothing yet"})
    with safe_open(path, framework="pt") as stored:
        metadata = stored.metadata()
        kinds = {stored.get_tensor(name).dtype for name in stored.keys()}  # noqa: SIM118, no mapping
    assert NetworkConfig(**json.loads(metadata["network_shape"])) == NetworkConfig([4, 6, 8, 8, 10], [1, 1, 1, 2, 1])
    assert metadata["held_out"] == "nothing yet"
    assert kinds == {torch.float16, torch.int64}


def test_saving_again_writes_the_same_bytes(network: EggNetwork, tmp_path: Path) -> None:
    first, second = tmp_path / "first.safetensors", tmp_path / "second.safetensors"
    notes = {name: "a note" for name in ("settings", "held_out", "weather")}
    save_weights(network, first, notes)
    save_weights(load_weights(first), second, dict(reversed(notes.items())))
    assert first.read_bytes() == second.read_bytes()
    assert weights_sha256(second) == hashlib.sha256(first.read_bytes()).hexdigest()


def refusal(path: Path) -> str:
    with pytest.raises(WeightsError) as caught:
        load_weights(path)
    assert isinstance(caught.value, ClutchlightError)
    message = str(caught.value)
    assert str(path) in message
    return message


def test_a_missing_file_is_named_with_what_to_do(tmp_path: Path) -> None:
    message = refusal(tmp_path / "absent.safetensors")
    assert "No weights file" in message
    assert "Name one that exists, or leave the option out" in message


@pytest.mark.parametrize(
    "content", [b"", b"no weights at all, only words", bytes(2000)], ids=["empty", "text", "zeros"]
)
def test_garbage_is_named_with_what_to_do(tmp_path: Path, content: bytes) -> None:
    path = tmp_path / "garbage.safetensors"
    path.write_bytes(content)
    message = refusal(path)
    assert "does not hold weights of this network" in message
    assert "Use another file" in message


def test_a_truncated_file_is_refused(network: EggNetwork, tmp_path: Path) -> None:
    path = tmp_path / "cut.safetensors"
    save_weights(network, path, {})
    path.write_bytes(path.read_bytes()[:-100])
    assert "Use another file" in refusal(path)


def test_a_folder_is_refused(tmp_path: Path) -> None:
    assert "Use another file" in refusal(tmp_path)


@pytest.mark.parametrize(
    "metadata",
    [
        None,
        {"network_shape": "{}"},
        {"network_shape": json.dumps({"widths": [4, 6, 8, 8, 12], "blocks": [1, 1, 1, 2, 1]})},
        {"network_shape": json.dumps({"widths": [4, 6], "blocks": [1, 1]})},
    ],
    ids=["no shape", "empty shape", "other widths", "too few levels"],
)
def test_weights_of_another_network_are_refused(
    network: EggNetwork, tmp_path: Path, metadata: dict[str, str] | None
) -> None:
    path = tmp_path / "other.safetensors"
    save_file(network.state_dict(), path, metadata=metadata)
    message = refusal(path)
    assert "does not hold weights of this network" in message
    assert "Use another file" in message


def test_weights_with_a_part_missing_are_refused(network: EggNetwork, tmp_path: Path) -> None:
    path = tmp_path / "part.safetensors"
    state = network.state_dict()
    del state["head.1.bias"]
    shape = json.dumps({"widths": SMALL.widths, "blocks": SMALL.blocks})
    save_file(state, path, metadata={"network_shape": shape})
    assert "head.1.bias" in refusal(path)
