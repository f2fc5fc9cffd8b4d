from __future__ import annotations

import pytest
import torch

from tests.synthetic.appearance_samples import draws


@pytest.mark.parametrize(("variation", "low", "high"), [(1.0, 2.0, 6.0), (0.5, 3.0, 5.0), (0.0, 4.0, 4.0)])
def test_a_range_shrinks_about_its_middle(variation: float, low: float, high: float) -> None:
    values = draws(2000, variation=variation).uniform(2.0, 6.0, 3)
    assert values.shape == (2000, 3)
    assert values.min() >= low - 1e-6
    assert values.max() <= high + 1e-6
    assert values.std().item() == pytest.approx((high - low) / 12**0.5, abs=0.03)


def test_variation_makes_faults_rarer_but_not_settings() -> None:
    one = torch.ones(4000, 2)
    careful = draws(4000, variation=0.5)
    settings, faults = careful.sometimes(0.4, one), careful.occasional_fault(0.4, one)
    assert settings.mean().item() == pytest.approx(0.4, abs=0.03)
    assert faults.mean().item() == pytest.approx(0.2, abs=0.03)
    # A row has all of it or nothing.
    assert torch.equal(settings[:, 0], settings[:, 1])


def test_kinds_have_their_shares_and_the_last_the_rest() -> None:
    kinds = draws(5000).kind(0.5, 0.2)
    assert kinds.unique().tolist() == [0, 1, 2]
    assert [(kinds == kind).float().mean().item() for kind in range(3)] == pytest.approx([0.5, 0.2, 0.3], abs=0.03)
