from __future__ import annotations

from dataclasses import replace

import pytest
import torch

from synthetic.appearance.gain import Gain, apply_gain
from tests.synthetic.appearance_samples import draws, uniform_gain

ECHO = torch.zeros(1, 21, 80)


def test_even_gain_changes_nothing() -> None:
    echo = torch.randn(2, 7, 9, generator=torch.Generator().manual_seed(1))
    torch.testing.assert_close(apply_gain(echo, uniform_gain(2)), echo)


def test_a_slider_lifts_its_own_depth() -> None:
    sliders = torch.zeros(1, 8)
    sliders[0, 3] = 6.0
    lifted = apply_gain(ECHO, replace(uniform_gain(), tgc_db=sliders))[0]
    assert (lifted == lifted[:1]).all()
    peak = int(lifted[0].argmax())
    assert peak / 79 == pytest.approx(3 / 7, abs=0.02)
    assert lifted.max().item() == pytest.approx(6.0, abs=0.3)
    assert (lifted[0, :22] == 0).all()
    assert (lifted[0, 47:] == 0).all()


def test_lateral_gain_slopes_from_beam_to_beam() -> None:
    slope = torch.linspace(-4, 4, 5)[None]
    lifted = apply_gain(ECHO, replace(uniform_gain(), lateral_db=slope))[0]
    torch.testing.assert_close(lifted, torch.linspace(-4, 4, 21)[:, None].expand(21, 80), atol=1e-4, rtol=0)


def test_near_gain_fades_with_depth() -> None:
    near = replace(uniform_gain(), near_db=torch.tensor([10.0]), near_share=torch.tensor([0.1]))
    lifted = apply_gain(ECHO, near)[0, 0]
    assert (lifted.diff() < 0).all()
    # A tenth of the depth down, 1 / e of it is left.
    assert (lifted[8] / lifted[0]).item() == pytest.approx(0.368, abs=0.002)


def test_errors_stay_within_realistic_bounds() -> None:
    gain = Gain.draw(draws(1000))
    assert gain.tgc_db.abs().max() <= 8.2
    assert gain.tgc_db.abs().max() > 6
    assert gain.lateral_db.abs().max() <= 11
    untouched = (gain.tgc_db == 0).all(1).float().mean().item()
    assert untouched == pytest.approx(0.5, abs=0.06)
