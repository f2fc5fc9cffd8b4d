from __future__ import annotations

import pytest
import torch

from synthetic.appearance.grey_map import GreyMap, map_to_grey
from tests.synthetic.appearance_samples import draws, linear_grey_map


def test_no_map_of_any_machine_makes_a_stronger_echo_darker() -> None:
    grey = map_to_grey(torch.linspace(-90, 90, 600).expand(300, 1, 600), GreyMap.draw(draws(300)))[:, 0]
    assert (grey.diff(dim=1) >= -1e-6).all()
    # Black at the one end, white at the other, and mean tissue is neither nearly black nor nearly white.
    assert (grey[:, 0] <= 0.12 + 1e-6).all()
    torch.testing.assert_close(grey[:, -1], torch.ones(300))
    tissue = map_to_grey(torch.zeros(300, 1, 1), GreyMap.draw(draws(300)))[:, 0, 0]
    assert (tissue >= 0.07).all()
    assert (tissue <= 0.8).all()
    assert tissue.std() > 0.15


def test_maps_differ_in_shape_and_not_in_gain_alone() -> None:
    """Straight maps give the same share of their rise in every part; random knots do not."""
    rises = GreyMap.draw(draws(400)).knots.diff(dim=1)
    torch.testing.assert_close(rises.sum(1), torch.ones(400))
    bent = (rises - 1 / 8).abs().amax(1) > 0.02
    assert 0.35 < bent.float().mean() < 0.6


@pytest.mark.parametrize("contrast", [-0.5, 0.0, 1.0])
@pytest.mark.parametrize("gamma", [0.64, 1.0, 1.57])
def test_gamma_and_contrast_keep_black_and_white(contrast: float, gamma: float) -> None:
    grey = map_to_grey(torch.tensor([[[-60.0, 60.0]]]), linear_grey_map(contrast=contrast, gamma=gamma))
    torch.testing.assert_close(grey, torch.tensor([[[0.0, 1.0]]]))


def test_grey_levels_share_the_dynamic_range() -> None:
    """28.4 / 23.7 / 17.8 grey levels of 256 for the 5.57 dB deviation of speckle at 50 / 60 / 80 dB (computed)."""
    for span, levels in ((50.0, 28.4), (60.0, 23.7), (80.0, 17.8)):
        step = map_to_grey(torch.tensor([[[0.0, 5.570]]]), linear_grey_map(dynamic_range_db=span)).diff().item() * 255
        assert step == pytest.approx(levels, abs=0.05)


def test_the_map_is_linear_between_its_knots() -> None:
    knots = torch.tensor([[0.0, 0.05, 0.1, 0.3, 0.5, 0.8, 0.9, 0.95, 1.0]])
    grey_map = GreyMap(**{**vars(linear_grey_map(tissue_grey=0.0)), "knots": knots})
    at_knots = map_to_grey(torch.arange(9)[None, None] * 7.5, grey_map)
    torch.testing.assert_close(at_knots[0], knots)
    between = map_to_grey(torch.tensor([[[2.25 * 7.5]]]), grey_map)
    assert between.item() == pytest.approx(0.15, abs=1e-5)


def test_rejected_echoes_are_black_and_clipped_ones_white() -> None:
    grey = map_to_grey(torch.tensor([[[-19.0, -17.0, 17.0, 19.0]]]), linear_grey_map(reject=0.1, white_clip=0.3))[0, 0]
    torch.testing.assert_close(grey, torch.tensor([0.0, 0.1167 / 0.7, 0.6833 / 0.7, 1.0]), atol=1e-3, rtol=0)


def test_the_black_level_lifts_black_only() -> None:
    grey = map_to_grey(torch.tensor([[[-60.0, 60.0]]]), linear_grey_map(black_level=0.1))
    torch.testing.assert_close(grey, torch.tensor([[[0.1, 1.0]]]))
