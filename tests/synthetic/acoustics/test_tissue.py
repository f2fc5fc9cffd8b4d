from __future__ import annotations

import numpy as np
import pytest
import torch
from torch import Tensor

from synthetic.acoustics.physics import RESOLUTION_CELLS
from synthetic.acoustics.tissue import (
    TISSUE,
    SweepNoise,
    TissueNoise,
    make_tissue_noise,
)
from tests.synthetic.acoustic_bench import tissue

# The scatterers repeat after this length: 144 nodes.
PERIOD_MM = 144 * TISSUE.scatterer_spacing_mm


def places(seed: int, number: int = 20_000) -> Tensor:
    """(1, N, 1, 3) mm, anywhere in a body."""
    return 300 * torch.rand(1, number, 1, 3, generator=torch.Generator().manual_seed(seed)) - 150


@pytest.fixture(scope="module")
def noise() -> TissueNoise:
    return tissue(1)


def test_scatterers_have_unit_power_wherever_they_are_read(noise: TissueNoise) -> None:
    real, imaginary = noise.read_scatterers(places(2))
    assert (real**2 + imaginary**2).mean().item() == pytest.approx(1.0, abs=0.02)
    assert real.mean().item() == pytest.approx(0.0, abs=0.02)
    assert (real * imaginary).mean().item() == pytest.approx(0.0, abs=0.02)
    # Halfway between the nodes, where a plain mean of eight would have an eighth of the power.
    middles = (torch.floor(places(3) / TISSUE.scatterer_spacing_mm) + 0.5) * TISSUE.scatterer_spacing_mm
    real, imaginary = noise.read_scatterers(middles)
    assert (real**2 + imaginary**2).mean().item() == pytest.approx(1.0, abs=0.05)


def test_scatterers_two_nodes_apart_are_uncorrelated(noise: TissueNoise) -> None:
    at = places(4)
    here, _ = noise.read_scatterers(at)
    previous = 1.0
    for share in (0.25, 0.5, 1.0):
        there, _ = noise.read_scatterers(at + share * TISSUE.scatterer_spacing_mm * torch.tensor([0.0, 1.0, 0.0]))
        correlation = np.corrcoef(here.flatten(), there.flatten())[0, 1]
        assert correlation < previous - 0.05
        previous = correlation
        # The Gaussian from which the point spread function computes how much power a blur leaves.
        expected = np.exp(-((share * TISSUE.scatterer_spacing_mm / TISSUE.scatterer_correlation_mm) ** 2) / 2)
        assert correlation == pytest.approx(expected, abs=0.03)
    beyond, _ = noise.read_scatterers(at + 2 * TISSUE.scatterer_spacing_mm)
    assert abs(np.corrcoef(here.flatten(), beyond.flatten())[0, 1]) < 0.03


def test_the_body_repeats_without_a_seam(noise: TissueNoise) -> None:
    at = places(5, 500)
    for one, other in zip(noise.read_scatterers(at), noise.read_scatterers(at + PERIOD_MM), strict=True):
        torch.testing.assert_close(one, other, atol=2e-3, rtol=0)
    # Across the border of the volume the slow field is as smooth as anywhere.
    line = torch.zeros(1, 400, 1, 3)
    line[0, :, 0, 0] = torch.linspace(-40, 40, 400) + 48 * TISSUE.unevenness_spacing_mm
    steps = noise.read_slow(line)[0].diff(dim=1).abs()
    assert steps[0, 190:210].max() <= 1.5 * steps.max()
    assert steps.max() < 0.2


def test_slow_fields_are_of_unit_scale_and_the_second_is_finer(noise: TissueNoise) -> None:
    at = places(6)
    coarse, fine = noise.read_slow(at)
    for field in (coarse, fine):
        assert field.mean().item() == pytest.approx(0.0, abs=0.1)
        # Between the nodes, interpolation lowers the variance a little.
        assert 0.75 < field.std().item() <= 1.05
    coarse_there, fine_there = noise.read_slow(at + torch.tensor([2.5, 0.0, 0.0]))
    correlation = np.corrcoef(coarse.flatten(), coarse_there.flatten())[0, 1]
    correlation_fine = np.corrcoef(fine.flatten(), fine_there.flatten())[0, 1]
    assert correlation > 0.8
    assert correlation_fine < 0.6


def test_noise_repeats_with_the_seed() -> None:
    one, same, other = (make_tissue_noise(torch.Generator().manual_seed(s), nodes=12, slow_nodes=8) for s in (1, 1, 2))
    assert torch.equal(one.scatterers, same.scatterers)
    assert torch.equal(one.slow, same.slow)
    assert not torch.equal(one.scatterers, other.scatterers)
    assert one.scatterers.shape == (1, 2, 13, 13, 13)


def test_layers_are_thin_across_the_body_and_long_along_it(noise: TissueNoise) -> None:
    step = torch.linspace(0, 200, 2001)  # 0.1 mm apart

    def roughness(axis: int) -> float:
        points = torch.zeros(1, 1, len(step), 3)
        points[..., axis] = step
        values = noise.read_layers(points, torch.zeros(1, 1, len(step)))[0, 0]
        return float(values.diff().std() / values.std())

    assert roughness(0) > 5 * roughness(1)
    assert roughness(0) > 5 * roughness(2)


def test_layers_bend_with_the_tissue(noise: TissueNoise) -> None:
    points = torch.rand(1, 4, 50, 3, generator=torch.Generator().manual_seed(4)) * 40
    bend = torch.full((1, 4, 50), 0.5)
    moved = points.clone()
    moved[..., 0] += 0.5 * TISSUE.layer_bend_mm
    plain = torch.zeros_like(bend)
    torch.testing.assert_close(noise.read_layers(points, bend), noise.read_layers(moved, plain), atol=1e-3, rtol=0)


def test_a_slice_thinner_than_the_grain_reads_the_scatterers_as_they_are(noise: TissueNoise) -> None:
    """It cannot decorrelate faster than the scatterers themselves do."""
    points = places(7, 400)
    across = torch.tensor([[0.0, 1.0, 0.0]])
    unsliced = torch.stack(noise.read_scatterers(points))
    thin, thick = (torch.stack(noise.read_slice(points, across, torch.tensor([width]))) for width in (0.05, 3.0))
    torch.testing.assert_close(thin, unsliced)
    assert not torch.allclose(thick, unsliced)


def test_tilted_planes_of_one_sweep_keep_the_speckle_near_the_probe(noise: TissueNoise) -> None:
    """However far from the body's middle: a thick slice tilted by 0.3 degrees moves by 0.05 mm 10 mm below its face."""
    turn = np.deg2rad(0.3) * torch.tensor([0.0, 1.0])
    down = torch.stack([torch.zeros(2), turn.sin(), turn.cos()], 1)
    right = torch.tensor([1.0, 0.0, 0.0]).expand(2, 3)
    x, depth = torch.meshgrid(torch.arange(0, 20, 0.25), torch.arange(8, 12, 0.25), indexing="ij")
    points = x[None, ..., None] * right[:, None, None] + depth[None, ..., None] * down[:, None, None] + 700.0
    across, slice_thickness_mm = torch.linalg.cross(right, down), torch.full((2,), 3.0)

    def correlation(of: TissueNoise) -> float:
        one, other = of.read_slice(points, across, slice_thickness_mm)[0]
        return float(np.corrcoef(one.flatten(), other.flatten())[0, 1])

    assert correlation(SweepNoise.of(noise, across[:1].expand(2, 3))) > 0.95
    # Otherwise the turn counts from the body's middle.
    assert correlation(noise) < 0.5


def test_clustered_scatterers_have_unit_power_and_more_bright_spots() -> None:
    clustered = make_tissue_noise(torch.Generator().manual_seed(1), RESOLUTION_CELLS.tissue)
    at, across = places(6), torch.tensor([[0.0, 1.0, 0.0]])

    def power(of: TissueNoise) -> Tensor:
        real, imaginary = of.read_slice(at, across, torch.tensor([2.0]))
        return real**2 + imaginary**2

    assert power(clustered).mean().item() == pytest.approx(1.0, abs=0.15)
    # The normalised second moment of the intensity is 2 for Rayleigh and 2 (1 + 1 / shape) for K-distributed envelopes.
    moments = [(p.square().mean() / p.mean() ** 2).item() for p in (power(tissue(1)), power(clustered))]
    assert moments[0] == pytest.approx(2.0, abs=0.15)
    assert 2.4 < moments[1] < 3.6
    torch.testing.assert_close(power(clustered), power(clustered))
