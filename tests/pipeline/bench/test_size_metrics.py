from __future__ import annotations

from dataclasses import replace

from pipeline.bench.size_metrics import follicle_diameters, size_metrics
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


def test_diameters_are_those_of_follicles_listed_as_follicles() -> None:
    follicle = [1.0, 0.0, 0.0]
    # True: 36 x 22 mm, so 80 / 3 in the mean.
    right = matched_egg(0, reported_egg(0, follicle, length_mm=37.0, width_mm=23.0))
    # With unknown axes, the widest section of 22 mm is the true diameter; reported is 26.
    by_section = replace(
        matched_egg(0, reported_egg(0, follicle, length_mm=26.0, width_mm=26.0)), length_mm=None, width_mm=None
    )
    others = [
        matched_egg(0, reported_egg(2, [0, 0, 1.0])),
        matched_egg(2, reported_egg(0, follicle)),
        matched_egg(0, reported_egg(0, follicle, length_mm=None, width_mm=None)),
        replace(by_section, widest_section_mm=0.0),
    ]
    diameters = follicle_diameters([right, by_section, *others])
    assert (diameters.follicles, diameters.by_section) == (2, 1)
    assert diameters.error_mm == (1.0 + 4.0) / 2
    assert follicle_diameters(others).error_mm is None
