"""The network built of OpenVINO's operations is the network of torch, from the same file."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import torch
from numpy.typing import NDArray

from models.network import EggNetwork, load_weights, save_weights
from models.openvino_graph import build_graph
from models.openvino_library import import_openvino
from models.output_channels import INPUT_SIDE_PX
from models.weights_file import NetworkConfig, StoredNetwork, WeightsError, read_weights, shipped_weights

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
