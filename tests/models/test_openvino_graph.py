"""The network built of OpenVINO's operations is the network of torch, from the same file."""

from __future__ import annotations

from dataclasses import replace
from functools import partial
from pathlib import Path
from typing import Any, cast

import numpy as np
import pytest
import torch
from numpy.typing import NDArray
from torch import Tensor, nn

from models.eight_bits import STEPS
from models.network import EggNetwork, load_weights, save_weights
from models.openvino_graph import NOT_ROUNDED, build_graph
from models.openvino_library import import_openvino
from models.output_channels import INPUT_SIDE_PX
from models.weights_file import NetworkConfig, StoredNetwork, WeightsError, read_weights, shipped_weights
from tests.models.rings import draw_rings

# Largest difference of an output. With the shipped weights 6e-6 was measured, on outputs of up to 12.
TOLERANCE = 1e-4


def as_stored(stored: StoredNetwork) -> StoredNetwork:
    return stored


def run_graph(model: Any, pictures: NDArray[np.float32]) -> NDArray[np.float32]:
    """In float32, also on processors with bfloat16."""
    compiled = import_openvino().Core().compile_model(model, "CPU", {"INFERENCE_PRECISION_HINT": "f32"})
    return np.array(compiled(pictures)[0])


@pytest.fixture(scope="module")
def random_weights(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A small network of other widths and depths, whose normalisation layers have random statistics."""
    generator = torch.Generator().manual_seed(3)
    network = EggNetwork(NetworkConfig(widths=(4, 6, 8, 10, 12), blocks=(1, 2, 1, 3, 1)))
    with torch.no_grad():
        for name, values in network.state_dict().items():
            if values.is_floating_point():
                drawn = torch.rand(values.shape, generator=generator)
                values.copy_(drawn + 0.2 if name.endswith("var") else drawn - 0.45)
    path = tmp_path_factory.mktemp("weights") / "random.safetensors"
    save_weights(network, path, {})
    return path


@pytest.mark.parametrize("which", ["shipped", "random"])
def test_the_graph_is_the_network_of_torch(which: str, random_weights: Path) -> None:
    path = shipped_weights() if which == "shipped" else random_weights
    pictures = np.random.default_rng(1).random((2, 1, INPUT_SIDE_PX, INPUT_SIDE_PX), dtype=np.float32)
    with torch.inference_mode():
        expected = load_weights(path)(torch.from_numpy(pictures)).numpy()
    scale = max(1.0, float(abs(expected).max()) / 10)
    outputs = run_graph(read_weights(path, build_graph), pictures)
    np.testing.assert_allclose(outputs, expected, atol=TOLERANCE * scale, rtol=0)
    assert expected.std() > 0.1  # the outputs are not all alike


def rounded_layers(stored: StoredNetwork) -> list[str]:
    return [name for name in stored.input_limits if not name.startswith(NOT_ROUNDED)]


@torch.no_grad()
def round_as_torch_does(network: EggNetwork, name: str) -> None:
    """From now on this layer is computed with numbers that torch rounds to 8 bits."""
    layer = cast(nn.Conv2d, network.get_submodule(name))
    largest = layer.weight.abs().amax(dim=(1, 2, 3))
    zeros = torch.zeros(len(largest), dtype=torch.int32)
    layer.weight.copy_(torch.fake_quantize_per_channel_affine(layer.weight, largest / 127, zeros, 0, -127, 127))
    scale = network.input_limits[name] / STEPS

    def rounded(layer: nn.Module, given: tuple[Tensor]) -> Tensor:
        return torch.fake_quantize_per_tensor_affine(given[0], scale, 0, 0, STEPS)

    layer.register_forward_pre_hook(rounded)


# One at a time. Where a number lies in the middle between two levels, the last bit of its sum decides, and after some
# layers two computations of the same have rounding errors of their own.
@pytest.mark.parametrize("name", ["levels.1.0.first", "down.2.0", "lateral.1.0", "merged.1.second"])
def test_in_8_bits_a_layer_is_that_of_torch_with_rounded_numbers(name: str) -> None:
    path = shipped_weights()
    pictures = draw_rings([[80.0, 90.0, 30.0, 22.0, 10.0]], side_px=INPUT_SIDE_PX, seed=1)[None, None]
    stored = read_weights(path, as_stored)
    graph = build_graph(replace(stored, input_limits={name: stored.input_limits[name]}), eight_bits=True)
    exact, network = load_weights(path), load_weights(path)
    round_as_torch_does(network, name)
    with torch.inference_mode():
        unrounded, expected = (each(torch.from_numpy(pictures)).numpy() for each in (exact, network))
    outputs = run_graph(graph, pictures)
    difference, change = (np.sqrt(np.square(each - expected).mean()) for each in (outputs, unrounded))
    assert difference < 0.1 * change
    assert change > 1e-4


def test_in_8_bits_all_layers_but_the_first_and_last_are_computed_so() -> None:
    stored = read_weights(shipped_weights(), as_stored)
    model = import_openvino().Core().compile_model(build_graph(stored, eight_bits=True), "CPU").get_runtime_model()
    steps = [{name: value.astype(str) for name, value in op.get_rt_info().items()} for op in model.get_ops()]
    precisions = [step["runtimePrecision"] for step in steps if step["layerType"] == "Convolution"]
    assert len(precisions) == len(stored.input_limits)
    assert precisions.count("u8") == len(rounded_layers(stored))


def test_without_limits_nothing_is_rounded(random_weights: Path) -> None:
    graph = read_weights(random_weights, partial(build_graph, eight_bits=True))
    assert "FakeQuantize" not in {node.get_type_name() for node in graph.get_ops()}


@pytest.mark.parametrize(
    ("change", "words"),
    [
        ({"stem.0.weight": None}, "the tensor stem.0.weight is missing"),
        ({"head.1.bias": np.zeros(12, np.float32)}, r"the tensor head.1.bias is \(12,\), not \(11,\)"),
        ({"tail.bias": np.zeros(1, np.float32)}, "1 unknown tensors, the first of them tail.bias"),
    ],
    ids=["missing", "other shape", "left over"],
)
def test_tensors_of_another_network_are_refused(
    random_weights: Path, change: dict[str, NDArray[np.float32] | None], words: str
) -> None:
    def build_changed(stored: StoredNetwork) -> Any:
        tensors = {**stored.tensors, **change}
        return build_graph(replace(stored, tensors={n: t for n, t in tensors.items() if t is not None}))

    with pytest.raises(WeightsError, match=f"random.safetensors does not hold weights .*{words}"):
        read_weights(random_weights, build_changed)


def test_the_tensors_are_those_that_were_saved(random_weights: Path) -> None:
    stored = read_weights(random_weights, as_stored)
    for name, values in load_weights(random_weights).state_dict().items():
        np.testing.assert_array_equal(stored.tensors[name], values.numpy())
