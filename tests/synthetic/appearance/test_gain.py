from __future__ import annotations

import math
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
    # The first sample lies half of an 80th of the depth below the face.
    assert lifted[0].item() == pytest.approx(10 * math.exp(-0.0625), abs=1e-4)
    # A tenth of the depth down, 1 / e of it is left.
    assert (lifted[8] / lifted[0]).item() == pytest.approx(0.368, abs=0.002)


def test_errors_stay_within_realistic_bounds() -> None:
    gain = Gain.draw(draws(1000))
    assert gain.tgc_db.abs().max() <= 8.2
    assert gain.tgc_db.abs().max() > 6
    assert gain.lateral_db.abs().max() <= 11
    untouched = (gain.tgc_db == 0).all(1).float().mean().item()
    assert untouched == pytest.approx(0.5, abs=0.06)


def mean_of_clamped_normal(bound: float) -> float:
    """Mean absolute value of a standard normal number that is clamped to -bound and bound."""
    return math.sqrt(2 / math.pi) * (1 - math.exp(-(bound**2) / 2)) + bound * math.erfc(bound / math.sqrt(2))


def assert_drawn_by(values: torch.Tensor, low: float, high: float, bound: float) -> None:
    """Evenly spread scales from low to high times normal numbers that are clamped to -bound and bound."""
    assert values.abs().max().item() <= high * bound * (1 + 1e-6)
    assert values.max().item() > 0.97 * high * bound
    assert values.min().item() < -0.97 * high * bound
    expected = (low + high) / 2 * mean_of_clamped_normal(bound)
    assert values.abs().mean().item() == pytest.approx(expected, rel=0.03)
    assert values.mean().item() == pytest.approx(0.0, abs=0.05 * expected)


def test_as_many_machines_have_each_error_as_intended_and_as_large() -> None:
    gain = Gain.draw(draws(40_000))
    has_sliders = (gain.tgc_db != 0).any(1)
    assert has_sliders.float().mean().item() == pytest.approx(0.5, abs=0.01)
    assert_drawn_by(gain.tgc_db[has_sliders], 0.5, 4.5, 1.8)
    # The slope is 0 in the middle, so that what is there are waves; without them, the slope alone is left.
    middle = gain.lateral_db[:, 2]
    has_waves = middle != 0
    assert has_waves.float().mean().item() == pytest.approx(0.2, abs=0.01)
    assert_drawn_by(middle[has_waves], 0.5, 2.5, 2.0)
    slopes = gain.lateral_db[~has_waves]
    torch.testing.assert_close(slopes, slopes[:, 4:] * torch.tensor([-1.0, -0.5, 0.0, 0.5, 1.0]))
    has_slope = slopes[:, 4] != 0
    assert has_slope.float().mean().item() == pytest.approx(0.25, abs=0.01)
    assert_drawn_by(slopes[has_slope, 4], 1.0, 6.0, 1.0)


def test_the_face_is_too_bright_on_a_quarter_of_the_machines() -> None:
    gain = Gain.draw(draws(40_000))
    is_bright = gain.near_db != 0
    assert is_bright.float().mean().item() == pytest.approx(0.25, abs=0.01)
    for values, low, high in ((gain.near_db[is_bright], 4.0, 20.0), (gain.near_share, 0.02, 0.1)):
        assert values.min().item() == pytest.approx(low, rel=0.01)
        assert values.max().item() == pytest.approx(high, rel=0.01)
        assert values.mean().item() == pytest.approx((low + high) / 2, rel=0.02)
