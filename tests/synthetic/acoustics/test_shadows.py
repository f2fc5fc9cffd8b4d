from __future__ import annotations

import pytest
import torch
from torch import Tensor

from synthetic.acoustics.geometry import beam_grid
from synthetic.acoustics.shadows import accumulated_loss
from tests.synthetic.acoustic_bench import column, convex

SCANNER = convex()
LINES, SAMPLES = 120, 240
GRID = beam_grid(SCANNER, LINES, SAMPLES)


def loss(db_per_mm: Tensor, spread: float, aperture_mm: float = 16.0) -> Tensor:
    """(L, S)"""
    return accumulated_loss(db_per_mm, GRID, SCANNER, aperture_mm=column(aperture_mm, 1), spread=spread)[0]


def behind_a_plate(db: float) -> Tensor:
    """(1, L, S) a plate across the right half of the beams, a tenth of the depth below the face."""
    lost = torch.zeros(1, LINES, SAMPLES)
    lost[:, LINES // 2 :, 24:26] = db / (2 * float(GRID.step))
    return lost


def edge_width(across: Tensor) -> int:
    """Number of beams between nearly full sound and nearly full shadow."""
    passed = 10 ** (-across / 20)
    return int(((passed > 0.1) & (passed < 0.9)).sum())


def test_without_spread_each_beam_adds_up_its_own_losses() -> None:
    rate = torch.rand(1, LINES, SAMPLES, generator=torch.Generator().manual_seed(1))
    torch.testing.assert_close(loss(rate, 0.0), torch.cumsum(rate[0], 1) * float(GRID.step))


def test_what_is_even_across_the_beams_stays_as_it_is() -> None:
    rate = torch.linspace(-0.05, 0.4, SAMPLES).expand(1, LINES, -1)
    torch.testing.assert_close(loss(rate, 0.6), loss(rate, 0.0), atol=1e-3, rtol=1e-4)


def test_the_edge_of_a_shadow_softens_with_depth_and_with_the_aperture() -> None:
    shadow = loss(behind_a_plate(40.0), 0.6)
    widths = [edge_width(shadow[:, sample]) for sample in (26, 90, 235)]
    assert widths[0] <= 1
    assert widths[0] < widths[1] <= widths[2]
    assert widths[2] >= 4
    wide = edge_width(loss(behind_a_plate(40.0), 0.6, aperture_mm=30.0)[:, 235])
    assert wide > widths[2]


def test_the_middle_of_a_wide_shadow_keeps_its_depth_and_sound_is_not_made() -> None:
    shadow = loss(behind_a_plate(40.0), 0.6)
    assert shadow[100, 200].item() == pytest.approx(40.0, abs=0.5)
    assert shadow[10, 200].item() == pytest.approx(0.0, abs=0.1)
    assert shadow.min().item() > -1e-3
    passed = 10 ** (-shadow / 20)
    assert passed[:, 235].mean().item() == pytest.approx(passed[:, 40].mean().item(), abs=0.01)
