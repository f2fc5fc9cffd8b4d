"""The statistics compared with published worked examples."""

from __future__ import annotations

import math

import pytest

from pipeline.agreement.limits_of_agreement import limits_of_agreement, wilson_interval

# Peak expiratory flow, l/min, by a large and a mini meter: Bland and Altman, Lancet i:307 (1986), first readings.
LARGE = (494, 395, 516, 434, 476, 557, 413, 442, 650, 433, 417, 656, 267, 478, 178, 423, 427)
MINI = (512, 430, 520, 428, 500, 600, 364, 380, 658, 445, 432, 626, 260, 477, 259, 350, 451)


def test_peak_flow_meters_agree_as_published() -> None:
    limits = limits_of_agreement([large - mini for large, mini in zip(LARGE, MINI, strict=True)])
    assert limits is not None
    assert limits.pairs == 17
    assert round(limits.bias, 1) == -2.1
    assert round(limits.standard_deviation, 1) == 38.8
    # The paper's limits are at 2 SD: -79.7 and 75.5 from rounded values.
    assert limits.bias - 2 * limits.standard_deviation == pytest.approx(-79.7, abs=0.15)
    assert limits.bias + 2 * limits.standard_deviation == pytest.approx(75.5, abs=0.15)
    assert (limits.low, limits.high) == pytest.approx(
        (limits.bias - 1.96 * 38.765, limits.bias + 1.96 * 38.765), abs=0.01
    )
    # 95 % confidence interval of the mean as published: -22.0 to 17.8, by a standard error of 9.4.
    assert limits.bias - limits.bias_ci_half_width == pytest.approx(-22.0, abs=0.1)
    assert limits.bias + limits.bias_ci_half_width == pytest.approx(17.8, abs=0.1)
    # In the same paper the interval of a limit is sqrt(3) times as wide.
    assert limits.limit_ci_half_width == pytest.approx(math.sqrt(3) * limits.bias_ci_half_width)


def test_fewer_than_two_pairs_have_no_limits() -> None:
    assert limits_of_agreement([]) is None
    assert limits_of_agreement([3]) is None
    two = limits_of_agreement([3, 3])
    assert two is not None
    assert (two.bias, two.standard_deviation, two.low, two.high) == (3.0, 0.0, 3.0, 3.0)


def test_wilson_interval_of_a_known_share() -> None:
    # 81 of 263, a textbook share: 0.2553 to 0.3662, and the exact interval a little wider (0.2527 to 0.3676).
    assert wilson_interval(81, 263) == pytest.approx((0.2553, 0.3662), abs=5e-5)
    assert wilson_interval(0, 20) == pytest.approx((0.0, 0.1611), abs=5e-5)
    assert wilson_interval(20, 20) == pytest.approx((1 - 0.1611, 1.0), abs=5e-5)
    assert wilson_interval(0, 0) is None
