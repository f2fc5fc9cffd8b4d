from __future__ import annotations

import numpy as np
import pytest

from pipeline.bench.stage_metrics import cohen_kappa, macro_f1, stage_metrics
from tests.pipeline.bench.matched_egg_examples import matched_egg, reported_egg


def test_macro_f1_is_the_mean_over_the_stages_that_occur() -> None:
    true, reported = np.array([0, 0, 2, 2, 2]), np.array([0, 2, 2, 2, 2])
    # Follicles: 2 / (2 + 0 + 1); calcified: 6 / (6 + 1 + 0).
    assert macro_f1(true, reported) == pytest.approx((2 / 3 + 6 / 7) / 2)


def test_the_network_alone_is_measured_separately() -> None:
    wrong = reported_egg(2, [0.1, 0.2, 0.7]) | {
        "network_stages": {"follicle": 0.1, "thin-shelled": 0.8, "calcified": 0.1},
    }
    metrics = stage_metrics([matched_egg(2, wrong), matched_egg(0, reported_egg(0, [0.9, 0.05, 0.05]))])
    assert (metrics.eggs, metrics.macro_f1, metrics.network_macro_f1) == (2, 1.0, 0.5)
    assert metrics.confusion == [[1, 0, 0], [0, 0, 0], [0, 0, 1]]
    assert metrics.calibration_error == pytest.approx((0.3 + 0.1) / 2)
    assert metrics.network_calibration_error == pytest.approx((0.8 + 0.1) / 2)
    assert stage_metrics([]).macro_f1 is None


def test_the_highest_probability_of_a_wrong_stage() -> None:
    eggs = [
        matched_egg(2, reported_egg(2, [0.0, 0.0, 1.0])),
        matched_egg(2, reported_egg(1, [0.1, 0.8, 0.1])),
        matched_egg(0, reported_egg(1, [0.3, 0.6, 0.1])),
    ]
    metrics = stage_metrics(eggs)
    assert (metrics.accuracy, metrics.highest_wrong_probability) == (1 / 3, 0.8)
    assert stage_metrics(eggs[:1]).highest_wrong_probability is None


@pytest.mark.parametrize(
    ("counts", "published"),
    [
        # The common worked example of two readers of 50 applications, and the pair of tables that shows how the same
        # share of agreement gives another kappa (both from memory).
        ([[20, 5], [10, 15]], 0.4),
        ([[45, 15], [25, 15]], 0.1304),
        ([[25, 35], [5, 35]], 0.2593),
        ([[7, 0, 0], [0, 2, 0], [0, 0, 1]], 1.0),
    ],
)
def test_kappa_agrees_with_worked_examples(counts: list[list[int]], published: float) -> None:
    assert cohen_kappa(np.array(counts)) == pytest.approx(published, abs=5e-5)


def test_kappa_is_undefined_where_all_eggs_have_one_stage() -> None:
    assert cohen_kappa(np.array([[5, 0], [0, 0]])) is None
