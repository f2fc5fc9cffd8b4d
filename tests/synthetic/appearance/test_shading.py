from __future__ import annotations

import math
from dataclasses import replace

import pytest
import torch

from synthetic.appearance.shading import Shading, shade
from tests.synthetic.appearance_samples import draws, speckled

NONE = Shading(torch.zeros(1, 4, 4), torch.zeros(1, 4, 4))


def test_brightness_is_a_factor_that_bends_from_corner_to_corner() -> None:
    brightness = torch.full((1, 4, 4), math.log(0.5))
    brightness[0, 0, 0] = 0.0
    even = torch.full((1, 1, 64, 64), 0.8)
    shaded = shade(even, replace(NONE, brightness=brightness))[0, 0]
    assert shaded[0, 0].item() == pytest.approx(0.8, abs=1e-4)
    torch.testing.assert_close(shaded[32:, 32:], torch.full((32, 32), 0.4))
    assert (shaded[0].diff() <= 0).all()


def test_gamma_bends_grey_and_keeps_black_and_white() -> None:
    gamma = torch.full((1, 4, 4), math.log(2.0))
    picture = torch.zeros(1, 1, 16, 16)
    picture[..., 5:10], picture[..., 10:] = 0.5, 1.0
    shaded = shade(picture, replace(NONE, gamma=gamma))
    expected = picture.square()
    torch.testing.assert_close(shaded, expected)


def test_most_pictures_have_no_field_and_none_an_extreme_one() -> None:
    shading = Shading.draw(draws(2000))
    assert (shading.brightness.flatten(1).any(1)).float().mean().item() == pytest.approx(0.35, abs=0.04)
    assert (shading.gamma.flatten(1).any(1)).float().mean().item() == pytest.approx(0.3, abs=0.04)
    assert shading.brightness.abs().max() <= 0.8
    assert torch.equal(shade(speckled(), NONE), speckled())
