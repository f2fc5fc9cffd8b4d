"""The engine for GPUs with a small network: on a GPU if there is one, and on the processor without a graph."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
import torch
from numpy.typing import NDArray

from models.engine import EngineError
from models.gpu_engine import GpuEngine
from models.network import EggNetwork, save_weights
from models.output_channels import CHANNEL_COUNT, INPUT_SIDE_PX, STRIDE
from models.torch_engine import TorchEngine
from models.weights_file import NetworkConfig

Pictures = NDArray[np.float32]


@pytest.fixture(scope="module")
def weights(tmp_path_factory: pytest.TempPathFactory) -> Path:
    torch.manual_seed(2)
    network = EggNetwork(NetworkConfig(widths=(4, 6, 8, 8, 10), blocks=(1, 1, 1, 1, 1)))
    for _ in range(3):
        network(torch.rand(2, 1, 64, 64))  # so that its normalisation layers have seen some batches
    path = tmp_path_factory.mktemp("weights") / "small.safetensors"
    save_weights(network, path, {})
    return path


@pytest.fixture(scope="module", params=["cpu", "cuda"])
def engine(request: pytest.FixtureRequest, weights: Path) -> GpuEngine:
    if request.param == "cuda" and not torch.cuda.is_available():
        pytest.skip("there is no GPU")
    return GpuEngine(weights, batch=3, device=request.param)


@pytest.fixture(scope="module")
def pictures() -> Pictures:
    return np.random.default_rng(3).random((7, 1, INPUT_SIDE_PX, INPUT_SIDE_PX), dtype=np.float32)


def test_answers_are_nearly_those_of_the_reference(engine: GpuEngine, weights: Path, pictures: Pictures) -> None:
    ours, reference = engine.run(pictures), TorchEngine(weights, threads=1).run(pictures)
    assert ours.shape == (7, CHANNEL_COUNT, INPUT_SIDE_PX // STRIDE, INPUT_SIDE_PX // STRIDE)
    assert ours.dtype == np.float32
    # float16 rounds by 2^-11 = 0.0005 of a value, at each of 15 layers.
    np.testing.assert_allclose(ours, reference, atol=15 * 2**-11 * np.abs(reference).max(), rtol=0)
    assert not np.array_equal(ours, reference)
    assert engine.name in ("torch-f16-cpu", "torch-f16-cuda")
    assert engine.weights_name == "small"


@pytest.mark.parametrize("count", [0, 1, 2, 3, 4])
def test_answers_do_not_depend_on_the_other_pictures(engine: GpuEngine, pictures: Pictures, count: int) -> None:
    together = engine.run(pictures)
    np.testing.assert_array_equal(engine.run(pictures[2 : 2 + count]), together[2 : 2 + count])
    np.testing.assert_array_equal(engine.run(pictures[::-1])[::-1], together)


def test_neither_pictures_nor_earlier_answers_change(engine: GpuEngine, pictures: Pictures) -> None:
    given = pictures.copy()
    first = engine.run(given)
    kept = first.copy()
    engine.run(1 - given)
    np.testing.assert_array_equal(first, kept)
    np.testing.assert_array_equal(given, pictures)


def test_a_full_gpu_is_an_error_with_advice(weights: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    def fail(self: EggNetwork, *target: object) -> None:
        raise torch.OutOfMemoryError("CUDA out of memory. Tried to allocate\nmore")

    monkeypatch.setattr(EggNetwork, "to", fail)
    with pytest.raises(EngineError, match=r"cannot run on cpu \(CUDA out of memory\. Tried to allocate\)\..*processes"):
        GpuEngine(weights, batch=2, device="cpu")
