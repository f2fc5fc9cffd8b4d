from __future__ import annotations

import numpy as np
import pytest

from pipeline.estimate.section_summary import SectionSummary, summarise_sections


def sections(length: float, width: float, *, degrees: float = 0.0, count: int = 41) -> np.ndarray:
    """(N, 5) sections of an egg whose long axis lies in the planes, from one side of the middle to the other."""
    shrinkage = np.sqrt(1 - np.linspace(-0.95, 0.95, count) ** 2)[:, None]
    return np.hstack([np.full((count, 2), 200.0), shrinkage * [length / 2, width / 2], np.full((count, 1), degrees)])


def summary(diameter: float = 20.0, log_ratio: float = 0.3) -> SectionSummary:
    return SectionSummary(diameter, np.array([0.0, log_ratio]), True, 9)


@pytest.mark.parametrize("degrees", [0.0, 30.0, 90.0, 160.0])
def test_the_largest_section_gives_diameter_and_elongation(degrees: float) -> None:
    whole = summarise_sections(sections(36.7, 22.3, degrees=degrees))
    assert whole.equivalent_diameter == pytest.approx(np.sqrt(36.7 * 22.3), rel=0.01)
    assert np.exp(np.hypot(*whole.elongation_vector)) == pytest.approx(36.7 / 22.3)
    assert whole.section_count == 41
    assert whole.width(0.0, 1.0) == pytest.approx(22.3, rel=0.01)


def test_the_middle_was_crossed_where_sections_shrank_on_both_sides() -> None:
    ellipses = sections(36.7, 22.3)
    assert summarise_sections(ellipses).crossed_middle
    assert not summarise_sections(ellipses[20:]).crossed_middle
    assert not summarise_sections(ellipses[:21]).crossed_middle
    # At 0.31 of the way to the pole sections have shrunk to 0.95: frames 14 and 26 are just before that.
    assert not summarise_sections(ellipses[14:27]).crossed_middle
    assert summarise_sections(ellipses[10:31]).crossed_middle


def test_sections_far_from_the_middle_do_not_affect_the_elongation() -> None:
    ellipses = sections(36.7, 22.3)
    is_small = ellipses[:, 2] < 0.8 * ellipses[:, 2].max()
    assert is_small.any()
    ellipses[is_small, 4] += 45.0
    assert np.exp(np.hypot(*summarise_sections(ellipses).elongation_vector)) == pytest.approx(36.7 / 22.3)


def test_long_axes_in_all_directions_average_to_a_round_section() -> None:
    ellipses = np.tile([200.0, 200.0, 11.0, 10.0, 0.0], (8, 1))
    ellipses[:, 4] = np.arange(8) * 22.5
    np.testing.assert_allclose(summarise_sections(ellipses).elongation_vector, 0.0, atol=1e-12)


def test_a_single_section_drawn_too_large_is_smoothed_away() -> None:
    ellipses = sections(30.0, 30.0)
    plain = summarise_sections(ellipses).equivalent_diameter
    ellipses[20, 2:4] *= 1.5
    assert summarise_sections(ellipses).equivalent_diameter == pytest.approx(plain, rel=0.01)


def test_the_width_is_the_short_axis_of_the_largest_section() -> None:
    assert summary().width(0.0, 1.0) == pytest.approx(20.0 * np.exp(-0.15))


def test_outlines_drawn_too_round_are_corrected_for_in_the_width() -> None:
    assert summary().width(0.0, 0.5) == pytest.approx(20.0 * np.exp(-0.3))


def test_the_expected_square_of_both_errors_is_subtracted_from_the_elongation() -> None:
    assert summary().width(0.1, 1.0) == pytest.approx(20.0 * np.exp(-np.sqrt(0.3**2 - 2 * 0.1**2) / 2))
    assert summary(log_ratio=0.1).width(0.1, 1.0) == 20.0
