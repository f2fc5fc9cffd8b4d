from __future__ import annotations

from dataclasses import replace

import pytest

from pipeline.detect.shell_signs import ShellSigns
from pipeline.estimate.egg_signs import describe_signs
from pipeline.settings import load_settings

SETTINGS = load_settings().shell_signs
NAN = float("nan")
MEASURED = ShellSigns(85.0, 4.0, 51.0, -60.0, 0.0, 8.0, 0.0, 0.0, 30.0, 12.0, 5)


def test_grey_levels_become_db_of_the_assumed_range_and_px_become_mm():
    signs = describe_signs(MEASURED, 0.25, SETTINGS)
    assert SETTINGS.shown_range_db == 60.0
    assert (signs.rim_db, signs.shadow_db) == pytest.approx((20.0, 12.0))
    assert (signs.rim_mm, signs.frames) == (1.0, 5)
    assert (signs.rim_at_least, signs.shadow_at_least) == (False, False)
    wide = describe_signs(MEASURED, 0.25, SETTINGS.model_copy(update={"shown_range_db": 120.0}))
    assert wide.rim_db == pytest.approx(40.0)


@pytest.mark.parametrize(
    ("changes", "text"),
    [
        ({}, "strong shell, no yolk to be seen"),
        ({"middle": 30.0}, "strong shell, yolk visible: newly shelled"),
        ({"rim": 30.0, "shadow": 5.0, "middle": 30.0}, "thin shell, yolk visible"),
        ({"shadow": 0.0}, "bright wall, little shadow, no yolk to be seen"),
        ({"rim": 30.0}, "faint wall, clear shadow, no yolk to be seen"),
        ({"rim": 5.0, "shadow": -10.0}, "no wall to be seen, little shadow, no yolk to be seen"),
        ({"shadow": NAN, "middle": 30.0}, "bright wall, yolk visible"),
        ({"middle": NAN}, "strong shell"),
        ({"rim": NAN}, ""),
    ],
)
def test_the_shell_is_described_in_words(changes, text):
    assert describe_signs(replace(MEASURED, **changes), None, SETTINGS).shell == text


def test_a_sign_that_could_not_be_measured_is_none():
    signs = describe_signs(replace(MEASURED, rim_px=NAN, shadow=NAN), None, SETTINGS)
    assert (signs.rim_mm, signs.shadow_db, signs.grey["shadow"]) == (None, None, None)


def test_a_white_wall_and_a_black_shadow_are_lower_bounds():
    signs = describe_signs(replace(MEASURED, rim_saturated_share=0.5, shadow_black_share=0.9), None, SETTINGS)
    assert signs.rim_at_least
    assert signs.shadow_at_least


@pytest.mark.parametrize(
    ("changes", "text"),
    [
        ({}, "dark, even"),
        ({"interior": 0.0}, "grey, even"),
        ({"interior": 30.0, "unevenness": 40.0}, "bright, uneven"),
        ({"middle": 30.0}, "dark with a brighter middle"),
        ({"interior": 0.0, "middle": -30.0}, "grey with a darker middle"),
    ],
)
def test_the_interior_is_described_in_words(changes, text):
    assert describe_signs(replace(MEASURED, **changes), None, SETTINGS).interior == text
