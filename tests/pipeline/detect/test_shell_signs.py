"""Signs measured on rendered eggs, whose shells, losses and interiors are known."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from pipeline.detect.beam_coordinates import BeamCoordinates
from pipeline.detect.shell_signs import measure_signs, median_signs
from tests.pipeline.detect.rendered_egg import GREY_PER_DB, MM_PER_PX, rendered_egg

WALL = {"rim_db": 12.0, "rim_mm": 0.5}


def signs_of(material, **how):
    rendered = rendered_egg(material, **how)
    (signs,) = measure_signs(rendered.picture, BeamCoordinates(rendered.sector), rendered.ellipse[None], [0])
    assert signs is not None
    return signs


@pytest.mark.parametrize("loss_db", [0.0, 1.0, 3.0])
def test_the_shadow_is_as_deep_as_the_loss_in_the_egg(loss_db):
    rendered = rendered_egg(WALL | {"loss_db": loss_db})
    (signs,) = measure_signs(rendered.picture, BeamCoordinates(rendered.sector), rendered.ellipse[None], [0])
    deep = slice(360, 420)  # 36 to 42 mm down, behind an egg that ends at 31 mm
    expected_db = rendered.loss_db[deep, 160:240].mean() - rendered.loss_db[deep, :40].mean()
    assert signs.shadow / GREY_PER_DB == pytest.approx(expected_db, abs=1.0)
    assert signs.shadow_black_share == 0.0


def test_a_thicker_shell_casts_a_deeper_shadow_until_the_screen_is_black():
    shells = [{"shell_mm": mm, "mineral": 1.0, "absorption": 4.0} for mm in (0.0, 0.01, 0.02, 0.035, 0.2)]
    signs = [signs_of(WALL | shell) for shell in shells]
    shadows = [one.shadow for one in signs]
    assert np.diff(shadows[:4]).min() > 2 * GREY_PER_DB
    assert signs[4].shadow_black_share > 0.9
    assert signs[4].shadow > 20 * GREY_PER_DB


def test_a_brighter_wall_has_more_contrast_and_a_thicker_one_more_px():
    contrasts = [signs_of({"rim_db": db, "rim_mm": 0.5}).rim for db in (-30.0, 6.0, 12.0, 18.0)]
    assert contrasts == sorted(contrasts)
    # Even without a wall the brightest of a few speckle levels is a little above their mean.
    assert contrasts[0] < 4 * GREY_PER_DB
    # On a wall thinner than the blur, speckle hides part of the added contrast.
    assert contrasts[3] - contrasts[2] == pytest.approx(6 * GREY_PER_DB, abs=1.5 * GREY_PER_DB)
    thick = [MM_PER_PX * signs_of({"rim_db": 15.0, "rim_mm": mm}).rim_px for mm in (0.4, 0.8, 1.2, 2.0)]
    np.testing.assert_allclose(thick, [0.4, 0.8, 1.2, 2.0], atol=0.35)


def test_without_a_wall_the_thickness_is_unknown():
    assert np.isnan(signs_of({}).rim_px)


@pytest.mark.parametrize("echo_db", [-12.0, -6.0, 0.0, 6.0])
def test_the_interior_is_as_bright_as_its_echo(echo_db):
    signs = signs_of({"echo_db": echo_db})
    assert signs.interior / GREY_PER_DB == pytest.approx(echo_db, abs=1.5)
    assert abs(signs.middle) < 2 * GREY_PER_DB


def test_a_bright_core_is_distinguished_from_the_rest_of_the_interior():
    signs = signs_of({"echo_db": -15.0, "core_share": 0.5, "core_db": 0.0})
    assert signs.middle > 8 * GREY_PER_DB
    assert signs.unevenness > 1.5 * signs_of({"echo_db": -15.0}).unevenness


def test_gain_has_no_effect():
    shell = WALL | {"loss_db": 2.0}
    plain, dark = signs_of(shell), signs_of(shell, gain=-25.0)
    for name in ("rim", "shadow", "interior"):
        assert getattr(dark, name) == pytest.approx(getattr(plain, name), abs=1.0 * GREY_PER_DB)


def test_a_wall_as_white_as_the_screen_is_reported_as_saturated():
    assert signs_of({"rim_db": 40.0, "rim_mm": 0.8}).rim_saturated_share > 0.7
    assert signs_of(WALL).rim_saturated_share == 0.0


def test_what_another_object_hides_is_not_measured():
    rendered = rendered_egg(WALL | {"loss_db": 3.0})
    beams = BeamCoordinates(rendered.sector)
    above = rendered.ellipse.copy()
    above[1] -= 170
    both = np.stack([rendered.ellipse, above])
    assert measure_signs(rendered.picture, beams, both, [0]) == [None]
    neighbour = rendered.ellipse.copy()
    neighbour[0] += 190
    (alone,) = measure_signs(rendered.picture, beams, rendered.ellipse[None], [0])
    assert alone is not None
    (two,) = measure_signs(rendered.picture, beams, np.stack([rendered.ellipse, neighbour]), [0])
    assert two is not None
    assert two.shadow == pytest.approx(alone.shadow, abs=GREY_PER_DB)


def test_at_the_edge_of_the_sector_nothing_is_measured():
    rendered = rendered_egg(WALL)
    mask = rendered.sector.mask.copy()
    mask[:, 180:] = False
    sector = replace(rendered.sector, mask=mask)
    assert measure_signs(rendered.picture, BeamCoordinates(sector), rendered.ellipse[None], [0]) == [None]


def test_the_median_ignores_missing_signs():
    one = signs_of(WALL | {"loss_db": 2.0})
    several = [replace(one, shadow=value, rim=10.0) for value in (1.0, float("nan"), 3.0, 5.0)]
    median = median_signs(several)
    assert (median.shadow, median.rim, median.frames) == (3.0, 10.0, 4)
    assert np.isnan(median_signs([replace(one, shadow=float("nan"))]).shadow)
