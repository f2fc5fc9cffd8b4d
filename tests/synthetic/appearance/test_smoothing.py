from __future__ import annotations

import numpy as np
import pytest
import torch
from scipy import ndimage

from synthetic.appearance.smoothing import blur, box_mean, coarsen, separable_median, wide_blur
from tests.synthetic.appearance_samples import speckled


def test_blur_is_scipys_gaussian_of_each_pictures_own_widths() -> None:
    picture = speckled(2)
    blurred = blur(picture, torch.tensor([0.9, 1.2]), torch.tensor([0.5, 1.3]))
    for row, sigmas in enumerate(((0.9, 0.5), (1.2, 1.3))):
        expected = ndimage.gaussian_filter(picture[row, 0].numpy(), sigmas, mode="nearest", radius=4)
        np.testing.assert_allclose(blurred[row, 0].numpy(), expected, atol=1e-5)
    torch.testing.assert_close(blur(picture, torch.zeros(2), torch.zeros(2)), picture)


def test_box_mean_is_the_mean_of_what_is_in_the_picture() -> None:
    picture = speckled()
    mean = box_mean(picture, 3)[0, 0]
    assert mean[20, 30].item() == pytest.approx(picture[0, 0, 17:24, 27:34].mean().item(), abs=1e-6)
    assert mean[0, 0].item() == pytest.approx(picture[0, 0, :4, :4].mean().item(), abs=1e-6)


def test_median_is_that_of_rows_and_then_of_columns() -> None:
    picture = speckled()
    rows = ndimage.median_filter(picture[0, 0].numpy(), (1, 3), mode="nearest")
    expected = ndimage.median_filter(rows, (3, 1), mode="nearest")
    np.testing.assert_array_equal(separable_median(picture)[0, 0].numpy(), expected)


def test_wide_blur_keeps_slopes_and_loses_detail() -> None:
    slope = torch.linspace(0.2, 0.8, 96).expand(1, 1, 64, 96)
    torch.testing.assert_close(wide_blur(slope)[..., 8:-8], slope[..., 8:-8], atol=1e-4, rtol=0)
    stripes = torch.arange(96) % 4 < 2
    flat = wide_blur(stripes.float().expand(1, 1, 64, 96))
    torch.testing.assert_close(flat, torch.full_like(flat, 0.5))


@pytest.mark.parametrize("factor", [1.0, 1.37, 2.0, 2.9])
@pytest.mark.parametrize("dim", [1, 2])
def test_coarsening_a_slope_leaves_it_where_it_is(factor: float, dim: int) -> None:
    """Whatever is left out, straight lines between true values at true places give a straight line again."""
    slope = torch.arange(50.0).view(1, 50, 1) + 3 * torch.arange(50.0).view(1, 1, 50)
    coarse = coarsen(slope, torch.tensor([factor]), torch.tensor([False]), dim)
    inner = (slice(None), slice(4, -4), slice(4, -4))
    torch.testing.assert_close(coarse[inner], slope[inner], atol=1e-4, rtol=0)
    held = coarsen(slope, torch.tensor([factor]), torch.tensor([True]), dim)[inner] - slope[inner]
    assert held.abs().max() <= (3 if dim == 2 else 1) * 1.5
    assert held.mean().abs() <= 0.1 * (3 if dim == 2 else 1)
