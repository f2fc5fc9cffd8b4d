"""The network's shape, and weights files that are complete, damaged, missing or of another network."""

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
from models.network import EggNetwork, load_weights, save_weights
from models.output_channels import CHANNEL_COUNT, CHANNELS, STRIDE
from models.weights_file import NetworkConfig, WeightsError, weights_sha256

SMALL = NetworkConfig(widths=(4, 6, 8, 8, 10), blocks=(1, 1, 1, 2, 1))


@pytest.fixture
def network() -> EggNetwork:
    """A small network whose normalisation layers have seen some batches."""
    torch.manual_seed(1)
    made = EggNetwork(SMALL)
    for _ in range(3):
        made(torch.rand(2, 1, 64, 64))
    return made.eval()


def test_folded_normalisation_is_the_same_function(network: EggNetwork) -> None:
    pictures = torch.rand(2, 1, 64, 64)
    with torch.inference_mode():
        before = network(pictures)
        network.fold_normalisation()
        torch.testing.assert_close(network(pictures), before, atol=1e-5, rtol=0)
    assert not any(isinstance(part, torch.nn.BatchNorm2d) for part in network.modules())


@pytest.mark.parametrize(("height", "width"), [(64, 64), (32, 96), (256, 256)])
def test_the_output_grid_is_four_times_coarser(network: EggNetwork, height: int, width: int) -> None:
    with torch.inference_mode():
        output = network(torch.rand(3, 1, height, width))
    assert output.shape == (3, CHANNEL_COUNT, height // STRIDE, width // STRIDE)
    assert output.dtype == torch.float32


def test_every_channel_has_exactly_one_meaning() -> None:
    channels = [channel for part in CHANNELS.values() for channel in range(*part.indices(CHANNEL_COUNT))]
    assert channels == list(range(CHANNEL_COUNT))


def test_a_new_network_predicts_few_centres() -> None:
    torch.manual_seed(0)
    with torch.no_grad():
        output = EggNetwork()(torch.rand(1, 1, 64, 64))
    assert float(torch.sigmoid(output[:, CHANNELS["centre"]]).mean()) == pytest.approx(0.01, abs=0.005)


def test_the_output_moves_with_the_picture(network: EggNetwork) -> None:
    # A shift by the deepest level's stride shifts the output by a whole number of cells, except for the small influence
    # of the borders on the middle.
    picture = torch.zeros(1, 1, 256, 256)
    picture[..., 96:128, 96:128] = torch.rand(32, 32)
    moved = picture.roll((32, 64), (2, 3))
    with torch.inference_mode():
        first, second = network(picture), network(moved)
    inner = np.s_[:, :, 20:36, 20:36]
    contrast = float(first[inner].std(dim=(2, 3)).min())
    torch.testing.assert_close(second.roll((-8, -16), (2, 3))[inner], first[inner], rtol=0, atol=0.1 * contrast)


def test_only_uncertainties_are_scaled(network: EggNetwork) -> None:
    picture = torch.rand(1, 1, 64, 64)
    with torch.inference_mode():
        before = network(picture)
    network.scale_uncertainty(centre=2.0, axes=0.5)
    with torch.inference_mode():
        change = network(picture) - before
    factor = change[:, CHANNELS["uncertainty"]].exp()
    torch.testing.assert_close(factor[0].mean((1, 2)), torch.tensor([2.0, 0.5]), rtol=1e-4, atol=0)
    assert not change[:, : CHANNELS["uncertainty"].start].any()


def test_weights_are_stored_in_half_precision(network: EggNetwork, tmp_path: Path) -> None:
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


def test_the_file_contains_the_network_shape_and_the_notes(network: EggNetwork, tmp_path: Path) -> None:
    path = tmp_path / "some.safetensors"
    save_weights(network, path, {"held_out": "nothing yet"})
    with safe_open(path, framework="pt") as stored:
        metadata = stored.metadata()
        kinds = {stored.get_tensor(name).dtype for name in stored.keys()}  # noqa: SIM118, no mapping
    shape = {"widths": [4, 6, 8, 8, 10], "blocks": [1, 1, 1, 2, 1], "frames": 1}
    assert json.loads(metadata["network_shape"]) == shape
    assert metadata["held_out"] == "nothing yet"
    assert kinds == {torch.float16, torch.int64}


def test_saving_again_writes_the_same_bytes(network: EggNetwork, tmp_path: Path) -> None:
    first, second = tmp_path / "first.safetensors", tmp_path / "second.safetensors"
    notes = {name: "a note" for name in ("settings", "held_out", "weather")}
    save_weights(network, first, notes)
    save_weights(load_weights(first), second, dict(reversed(notes.items())))
    assert first.read_bytes() == second.read_bytes()
    assert weights_sha256(second) == hashlib.sha256(first.read_bytes()).hexdigest()


def error_message(path: Path) -> str:
    with pytest.raises(WeightsError) as caught:
        load_weights(path)
    assert isinstance(caught.value, ClutchlightError)
    message = str(caught.value)
    assert str(path) in message
    return message


def test_a_missing_file_is_reported_with_advice(tmp_path: Path) -> None:
    message = error_message(tmp_path / "absent.safetensors")
    assert "There is no weights file" in message
    assert "Name an existing file, or omit the option" in message


@pytest.mark.parametrize(
    "content", [b"", b"no weights at all, only words", bytes(2000)], ids=["empty", "text", "zeros"]
)
def test_a_file_without_weights_is_reported_with_advice(tmp_path: Path, content: bytes) -> None:
    path = tmp_path / "garbage.safetensors"
    path.write_bytes(content)
    message = error_message(path)
    assert "does not hold weights of this network" in message
    assert "Use another file" in message


def test_a_truncated_file_is_refused(network: EggNetwork, tmp_path: Path) -> None:
    path = tmp_path / "cut.safetensors"
    save_weights(network, path, {})
    path.write_bytes(path.read_bytes()[:-100])
    assert "Use another file" in error_message(path)


def test_a_folder_is_refused(tmp_path: Path) -> None:
    assert "Use another file" in error_message(tmp_path)


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
    message = error_message(path)
    assert "does not hold weights of this network" in message
    assert "Use another file" in message


def test_weights_with_a_missing_tensor_are_refused(network: EggNetwork, tmp_path: Path) -> None:
    path = tmp_path / "part.safetensors"
    state = network.state_dict()
    del state["head.1.bias"]
    shape = json.dumps({"widths": SMALL.widths, "blocks": SMALL.blocks})
    save_file(state, path, metadata={"network_shape": shape})
    assert "head.1.bias" in error_message(path)


def with_shape(network: EggNetwork, path: Path, **others: object) -> Path:
    """The weights with the shape as older files have it, and more keys."""
    shape = json.dumps({"widths": SMALL.widths, "blocks": SMALL.blocks, **others})
    save_file(network.state_dict(), path, metadata={"network_shape": shape})
    return path


@pytest.mark.parametrize("others", [{"frames": 1, "told_scale": False}, {"frames": 1, "has_scale_channel": False}])
def test_older_files_that_state_a_single_frame_and_no_scale_are_read(
    network: EggNetwork, tmp_path: Path, others: dict[str, object]
) -> None:
    assert load_weights(with_shape(network, tmp_path / "old.safetensors", **others)).config == SMALL


@pytest.mark.parametrize(
    ("name", "value"), [("frames", 3), ("told_scale", True), ("has_scale_channel", True), ("colours", 1)]
)
def test_files_of_networks_with_other_input_are_refused_by_name(
    network: EggNetwork, tmp_path: Path, name: str, value: object
) -> None:
    message = error_message(with_shape(network, tmp_path / "other.safetensors", **{name: value}))
    assert f"its {name} is {json.dumps(value)}" in message
    assert "one grey frame" in message
