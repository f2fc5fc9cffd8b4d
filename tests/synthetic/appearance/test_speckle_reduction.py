from __future__ import annotations

import pytest
import torch
from torch import Tensor

from synthetic.appearance.speckle_reduction import SmoothingFilter, SpeckleReduction, reduce_speckle
from tests.synthetic.appearance_samples import draws, generator, roughness


def reduction(*kinds: SmoothingFilter, width_px: float = 1.5, edge: float = 0.08) -> SpeckleReduction:
    number = len(kinds)
    return SpeckleReduction(torch.tensor(kinds), torch.full((number,), width_px), torch.full((number,), edge))


def step(batch: int = 1) -> Tensor:
    """Grainy tissue of 0.3 beside grainy tissue of 0.7."""
    grain = 0.05 * torch.randn(batch, 1, 64, 96, generator=generator())
    return torch.where(torch.arange(96) < 48, 0.3, 0.7) + grain


@pytest.mark.parametrize("kind", list(SmoothingFilter)[1:])
def test_every_filter_smooths_the_grain_and_keeps_its_mean(kind: SmoothingFilter) -> None:
    smooth = reduce_speckle(step(), reduction(kind))
    for part in (slice(8, 40), slice(56, 88)):
        assert roughness(smooth[..., part]) < 0.6 * roughness(step()[..., part])
        assert smooth[..., part].mean().item() == pytest.approx(step()[..., part].mean().item(), abs=0.005)


def test_an_edge_preserving_filter_keeps_the_edge_that_a_gaussian_loses() -> None:
    both = reduce_speckle(step(2), reduction(SmoothingFilter.EDGE_PRESERVING, SmoothingFilter.GAUSSIAN))
    kept, lost = (row[0, 8:-8, 48].mean() - row[0, 8:-8, 47].mean() for row in both)
    assert kept > 0.27
    assert lost < 0.2


def test_an_edge_enhanced_picture_is_smooth_with_overshooting_borders() -> None:
    wet = reduce_speckle(step(), reduction(SmoothingFilter.EDGE_ENHANCED, edge=0.03))[0, 0].mean(0)
    assert wet[40:56].max() > wet[64:88].max() + 0.02
    assert wet[40:56].min() < wet[8:32].min() - 0.02


def test_each_picture_has_its_own_filter() -> None:
    picture = step(5)
    together = reduce_speckle(picture, reduction(*SmoothingFilter))
    assert torch.equal(together[:1], picture[:1])
    for kind in SmoothingFilter:
        alone = reduce_speckle(picture[kind : kind + 1], reduction(kind))
        torch.testing.assert_close(together[kind : kind + 1], alone, atol=1e-6, rtol=0)


def test_all_kinds_occur() -> None:
    kinds = SpeckleReduction.draw(draws(4000)).kind
    shares = [(kinds == kind).float().mean().item() for kind in SmoothingFilter]
    assert shares == pytest.approx([0.25, 0.3, 0.15, 0.2, 0.1], abs=0.03)
