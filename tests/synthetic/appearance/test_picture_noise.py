from __future__ import annotations

import pytest
import torch

from synthetic.appearance.picture_noise import add_noise
from tests.synthetic.appearance_samples import generator, no_noise, speckled

EVEN = torch.full((1, 1, 256, 64), 0.5)


def test_without_noise_nothing_changes() -> None:
    assert torch.equal(add_noise(speckled(), no_noise(), generator()), speckled())


def test_grain_has_the_given_strength() -> None:
    assert add_noise(EVEN, no_noise(grain=0.03), generator()).std().item() == pytest.approx(0.03, rel=0.05)


def test_multiplicative_noise_grows_with_the_grey() -> None:
    dark, bright = (
        add_noise(EVEN * share, no_noise(multiplicative=0.1), generator()).std().item() for share in (0.4, 1.0)
    )
    assert bright == pytest.approx(0.05, rel=0.05)
    assert dark == pytest.approx(0.02, rel=0.05)


def test_salt_falls_on_a_share_of_the_pixels() -> None:
    salted = add_noise(EVEN, no_noise(salt=0.05), generator())
    white, black = ((salted == grey).float().mean().item() for grey in (1, 0))
    assert white + black == pytest.approx(0.05, abs=0.006)
    assert white > black > 0
    assert ((salted == 0.5) | (salted == 0) | (salted == 1)).all()


def test_streaks_are_a_few_whole_rows() -> None:
    streaked = add_noise(EVEN, no_noise(streaks=0.1), generator())[0, 0]
    touched = (streaked != 0.5).any(1)
    assert 2 <= touched.sum() <= 25
    assert (streaked == streaked[:, :1]).all()
