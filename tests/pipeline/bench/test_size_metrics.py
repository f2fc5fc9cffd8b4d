from __future__ import annotations

from pipeline.bench.size_metrics import size_metrics
from pipeline.settings import load_settings
from tests.pipeline.bench.matched_egg_examples import matched_egg, reported_egg

SETTINGS = load_settings().sizes


def test_only_eggs_crossed_near_their_middle_are_measured() -> None:
    # True: 36 x 22 mm.
    good = matched_egg(2, reported_egg(2, [0, 0, 1.0]))
    off = matched_egg(2, reported_egg(2, [0, 0, 1.0], length_mm=31.0, length_interval90_mm=[29.0, 33.0], shape="round"))
    grazed = matched_egg(2, reported_egg(2, [0, 0, 1.0], width_mm=5.0), widest_section_mm=15.0)
    unscaled = matched_egg(2, reported_egg(2, [0, 0, 1.0], width_mm=None))
    metrics = size_metrics([good, off, grazed, unscaled], SETTINGS)
    assert metrics.eggs == 2
    assert (metrics.length_error_mm, metrics.length_interval_coverage) == (3.5, 0.5)
    assert (metrics.width_error_mm, metrics.width_bias_mm, metrics.width_interval_coverage) == (1.0, -1.0, 1.0)
    assert (metrics.shape_reported, metrics.shape_accuracy) == (1.0, 0.5)
    assert size_metrics([unscaled], SETTINGS).length_error_mm is None


def test_the_settings_decide_from_which_aspect_ratio_an_egg_is_oval() -> None:
    # The true egg has an aspect ratio of 1.64.
    oval = matched_egg(2, reported_egg(2, [0, 0, 1.0]))
    stricter = SETTINGS.model_copy(update={"oval_aspect_ratio": 1.7})
    assert size_metrics([oval], SETTINGS).shape_accuracy == 1.0
    assert size_metrics([oval], stricter).shape_accuracy == 0.0
