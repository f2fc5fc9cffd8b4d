"""Limits for the inputs of layers: they suit the numbers, and come from the pictures that a network was given."""

from __future__ import annotations

from pathlib import Path

import pytest
import torch
from hypothesis import given
from hypothesis import strategies as st
from torch import Tensor, nn

from models.eight_bits import STEPS, finding_input_limits, input_limit
from models.network import EggNetwork, load_weights, save_weights
from models.weights_file import NetworkConfig, WeightsError

SMALL = NetworkConfig(widths=(4, 6, 8, 8, 10), blocks=(1, 1, 1, 1, 1))


def drawn(count: int, seed: int = 1) -> Tensor:
    return torch.rand(count, generator=torch.Generator().manual_seed(seed))


def rounding_error(numbers: Tensor, limit: float) -> float:
    """By torch's own rounding to 8 bits."""
    rounded = torch.fake_quantize_per_tensor_affine(numbers, limit / STEPS, 0, 0, STEPS)
    return float((rounded - numbers).square().mean())


def test_evenly_spread_numbers_are_kept_whole() -> None:
    assert input_limit(drawn(4000)) == pytest.approx(1.0, abs=0.05)


def test_rare_large_numbers_are_cut_off() -> None:
    numbers = torch.cat([drawn(1_000_000), torch.tensor([2.0])])
    limit = input_limit(numbers)
    assert 0.9 < limit < 1.5
    assert rounding_error(numbers, limit) < 0.7 * rounding_error(numbers, 2.0)


@given(st.floats(1e-3, 1e3), st.integers(0, 99))
def test_limits_grow_with_the_numbers(factor: float, seed: int) -> None:
    numbers = drawn(500, seed).square()
    assert input_limit(factor * numbers) == pytest.approx(factor * input_limit(numbers), rel=0.04)


def test_numbers_that_are_all_zero_have_no_limit() -> None:
    assert input_limit(torch.zeros(10)) == 0.0


def test_every_layer_gets_a_limit_that_its_file_keeps(tmp_path: Path) -> None:
    network = EggNetwork(SMALL).eval()
    with torch.inference_mode(), finding_input_limits(network):
        for seed in range(2):
            network(drawn(2 * 64 * 64, seed).reshape(2, 1, 64, 64))
    layers = {name for name, layer in network.named_modules() if isinstance(layer, nn.Conv2d)}
    assert network.input_limits.keys() == layers
    assert network.input_limits["stem.0"] == pytest.approx(1.0, abs=0.05)  # of the pictures themselves
    save_weights(network, tmp_path / "own.safetensors", {})
    assert load_weights(tmp_path / "own.safetensors").input_limits == network.input_limits


def test_later_pictures_do_not_count() -> None:
    network = EggNetwork(SMALL).eval()
    with torch.inference_mode():
        with finding_input_limits(network):
            network(drawn(64 * 64).reshape(1, 1, 64, 64))
        found = dict(network.input_limits)
        network(100 * drawn(64 * 64).reshape(1, 1, 64, 64))
    assert network.input_limits == found


@pytest.mark.parametrize("limit", [0.0, -1.0, float("nan"), float("inf")])
def test_impossible_limits_are_refused(tmp_path: Path, limit: float) -> None:
    network = EggNetwork(SMALL)
    network.input_limits = {"stem.0": limit}
    save_weights(network, tmp_path / "wrong.safetensors", {})
    with pytest.raises(WeightsError, match=r"wrong\.safetensors .*input_limits are not all positive numbers"):
        load_weights(tmp_path / "wrong.safetensors")
