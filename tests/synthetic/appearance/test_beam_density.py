from __future__ import annotations

import pytest
import torch

from synthetic.appearance.beam_density import BeamDensity, resample
from tests.synthetic.appearance_samples import draws, full_beam_density, generator

# Envelope of fully developed speckle in dB.
ECHO = 20 * torch.log10(
    torch.complex(*torch.randn(2, 1, 96, 120, generator=generator(3))).abs().clamp(min=1e-4) / 2**0.5
)


def test_all_beams_and_a_single_angle_change_nothing() -> None:
    assert torch.equal(resample(ECHO, full_beam_density()), ECHO)


def test_fewer_beams_are_interpolated_linearly() -> None:
    coarse = resample(ECHO, full_beam_density(lines=3.0))[0]
    kept = range(0, 96, 3)  # among them the middle one, 48
    torch.testing.assert_close(coarse[list(kept)], ECHO[0, list(kept)])
    torch.testing.assert_close(coarse[49], (2 * ECHO[0, 48] + ECHO[0, 51]) / 3)


def test_nearest_beams_keep_their_width() -> None:
    held = resample(ECHO, full_beam_density(lines=3.0, use_nearest=True))[0]
    for line in (47, 48, 49):
        torch.testing.assert_close(held[line], ECHO[0, 48])


def test_fewer_samples_leave_the_beams_alone() -> None:
    coarse = resample(ECHO, full_beam_density(samples=2.0))[0]
    torch.testing.assert_close(coarse[:, ::2], ECHO[0, :, ::2])
    torch.testing.assert_close(coarse[:, 51], (ECHO[0, :, 50] + ECHO[0, :, 52]) / 2)


def test_compounding_smooths_the_speckle_and_keeps_its_power() -> None:
    """The mean over independent angles has the same power; the deviation of its level falls from 5.57 dB (theory)."""
    assert ECHO.std().item() == pytest.approx(5.57, abs=0.1)
    averaged = resample(ECHO, full_beam_density(compounding_lines=1.2, compounding_samples=0.8))
    assert averaged.std() < 0.5 * ECHO.std()
    power, before = ((10 ** (value / 10)).mean().item() for value in (averaged, ECHO))
    assert power == pytest.approx(before, rel=0.02)


@pytest.mark.parametrize("dim", [1, 2])
def test_compounding_averages_along_the_given_direction(dim: int) -> None:
    echo = torch.full((1, 31, 31), -60.0)
    echo[0, 15, 15] = 0.0
    asked = (
        full_beam_density(compounding_lines=1.5)
        if dim == 1
        else full_beam_density(compounding_samples=1.5, compounding_lines=0.01)
    )
    lit = resample(echo, asked)[0] > -40
    assert lit.any(2 - dim).sum() >= 5
    assert lit.any(dim - 1).sum() == 1


def test_most_machines_have_most_of_their_beams() -> None:
    density = BeamDensity.draw(draws(2000))
    assert density.lines.min() >= 1
    assert density.lines.max() <= 3.2
    assert (density.lines == 1).float().mean().item() == pytest.approx(0.65, abs=0.04)
    # Compounding acts along and across the beams, or not at all.
    assert torch.equal(density.compounding_lines > 0, density.compounding_samples > 0)
