from __future__ import annotations

import numpy as np
import pytest

from pipeline.bench.size_metrics import size_metrics
from pipeline.bench.stage_metrics import calibration_error, kappa, macro_f1, reliability_bins, stage_metrics
from tests.pipeline.bench.matched_egg_examples import matched_egg, reported_egg


def test_macro_f1_is_the_mean_over_the_stages_that_are_there():
    true, said = np.array([0, 0, 2, 2, 2]), np.array([0, 2, 2, 2, 2])
    # Follicles: 2 / (2 + 0 + 1); calcified: 6 / (6 + 1 + 0).
    assert macro_f1(true, said) == pytest.approx((2 / 3 + 6 / 7) / 2)


def test_the_calibration_error_is_the_mean_distance_of_said_and_right():
    said = np.array([0.95, 0.95, 0.95, 0.95, 0.65, 0.65])
    right = np.array([True, True, True, False, True, False])
    bins = reliability_bins(said, right)
    assert [(each.eggs, each.accuracy) for each in bins] == [(2, 0.5), (4, 0.75)]
    assert calibration_error(bins) == pytest.approx((2 * 0.15 + 4 * 0.2) / 6)


def test_stage_figures_tell_the_network_alone_beside_the_whole():
    wrong = reported_egg(2, [0.1, 0.2, 0.7]) | {
        "network_stages": {"follicle": 0.1, "thin-shelled": 0.8, "calcified": 0.1},
    }
    figures = stage_metrics([matched_egg(2, wrong), matched_egg(0, reported_egg(0, [0.9, 0.05, 0.05]))])
    assert (figures.eggs, figures.macro_f1, figures.network_macro_f1) == (2, 1.0, 0.5)
    assert figures.confusion == [[1, 0, 0], [0, 0, 0], [0, 0, 1]]
    assert stage_metrics([]).macro_f1 is None


def test_size_figures_count_eggs_crossed_near_their_middle():
    # True: 36 x 22 mm.
    good = matched_egg(2, reported_egg(2, [0, 0, 1.0]))
    off = matched_egg(2, reported_egg(2, [0, 0, 1.0], length_mm=31.0, length_interval90_mm=[29.0, 33.0], shape="round"))
    grazed = matched_egg(2, reported_egg(2, [0, 0, 1.0], width_mm=5.0), widest_section_mm=15.0)
    unscaled = matched_egg(2, reported_egg(2, [0, 0, 1.0], width_mm=None))
    figures = size_metrics([good, off, grazed, unscaled])
    assert figures.eggs == 2
    assert (figures.length_error_mm, figures.length_interval_coverage) == (3.5, 0.5)
    assert (figures.width_error_mm, figures.width_bias_mm, figures.width_interval_coverage) == (1.0, -1.0, 1.0)
    assert (figures.shape_reported, figures.shape_accuracy) == (1.0, 0.5)
    assert size_metrics([unscaled]).length_error_mm is None


@pytest.mark.parametrize(
    ("counts", "published"),
    [
        # The usual worked example of two readers of 50 applications, and the pair of tables that shows how the same
        # share of agreement gives another kappa (both from memory).
        ([[20, 5], [10, 15]], 0.4),
        ([[45, 15], [25, 15]], 0.1304),
        ([[25, 35], [5, 35]], 0.2593),
        ([[7, 0, 0], [0, 2, 0], [0, 0, 1]], 1.0),
    ],
)
def test_kappa_is_that_of_worked_examples(counts, published):
    assert kappa(np.array(counts)) == pytest.approx(published, abs=5e-5)


def test_kappa_says_nothing_where_all_is_one_stage():
    assert kappa(np.array([[5, 0], [0, 0]])) is None
