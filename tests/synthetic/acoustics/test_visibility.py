from __future__ import annotations

import numpy as np
import pytest
import torch
from torch import Tensor

from models import ellipse
from models.ellipse_points import relative_radius_squared
from synthetic.acoustics import visibility
from synthetic.acoustics.beam_rendering import Beams
from synthetic.acoustics.geometry import View, beam_grid
from synthetic.acoustics.visibility import Visibility, outline_visibility
from tests.synthetic.acoustic_bench import column, linear

LINES, SAMPLES = 160, 240
ALONE = torch.ones(1, 1, dtype=torch.bool)
VIEW = View(column(0.2, 1), column(160, 1), column(20, 1))
EGG = (0.0, 35.0, 10.0, 7.0, 30.0)


def picture(
    row: tuple[float, ...], *, inside: float = 0.5, rim: float = 0.5, outside: float = 0.5, speckle: float = 0.1
) -> tuple[Beams, Tensor]:
    """Grey beams of one ellipse with a rim of 4 % of its radius, and beams without any loss."""
    radius = relative_radius(row, LINES, SAMPLES)
    level = torch.where(radius < 1, inside, outside)
    level = torch.where((radius - 1).abs() < 0.06, rim, level)
    grain = speckle * torch.randn(level.shape, generator=torch.Generator().manual_seed(1))
    silent = torch.zeros_like(level)
    return Beams(silent, silent.clone()), (level + grain).clamp(0, 1)


def visibility_of(beams: Beams, grey: Tensor, row: tuple[float, ...] = EGG, view: View = VIEW) -> Visibility:
    return outline_visibility(torch.tensor([[row]]), ALONE, beams, grey, linear(), view, 320, 320)


def test_what_looks_like_its_surroundings_does_not_stand_out() -> None:
    seen = visibility_of(*picture(EGG))
    assert seen.in_sector.item() == 1.0
    assert seen.unshadowed.item() == 1.0
    assert seen.distinct_unshadowed.item() <= 0.25


@pytest.mark.parametrize("shown", [{"inside": 0.7}, {"inside": 0.3}, {"rim": 0.8}, {"rim": 0.8, "inside": 0.3}])
def test_a_step_of_either_sign_or_a_rim_stands_out_all_round(shown: dict[str, float]) -> None:
    assert visibility_of(*picture(EGG, **shown)).distinct_unshadowed.item() >= 0.8


def test_a_step_counts_against_the_speckle() -> None:
    assert visibility_of(*picture(EGG, inside=0.6, speckle=0.02)).distinct_unshadowed.item() == 1.0
    assert visibility_of(*picture(EGG, inside=0.6, speckle=0.3)).distinct_unshadowed.item() < 0.6


def test_a_clear_step_on_a_dark_screen_is_lost() -> None:
    dark = visibility_of(*picture(EGG, inside=0.01, rim=0.01, outside=0.0, speckle=0.0))
    assert dark.distinct_unshadowed.item() == 0.0


def test_only_what_is_lit_and_in_the_sector_stands_out() -> None:
    beams, grey = picture(EGG, inside=0.9)
    left = torch.linspace(-1, 1, LINES)[None, :, None] < 0
    shadowed = Beams(beams.echo_db, beams.loss_db + 40.0 * left)
    seen = visibility_of(shadowed, grey)
    assert seen.unshadowed.item() == pytest.approx(0.5, abs=0.1)
    assert seen.distinct_unshadowed.item() == pytest.approx(seen.unshadowed.item(), abs=0.01)
    # A wall bright enough to show in a shadow still counts.
    assert seen.distinct.item() >= 0.8
    beyond = visibility_of(beams, grey, view=View(column(0.2, 1), column(0, 1), column(20, 1)))
    assert beyond.in_sector.item() == pytest.approx(0.5, abs=0.1)
    below = visibility_of(beams, grey, view=View(column(0.2, 1), column(160, 1), column(144, 1)))
    assert below.in_sector.item() == pytest.approx(0.5, abs=0.1)
    above = visibility_of(beams, grey, view=View(column(0.2, 1), column(160, 1), column(-175, 1)))
    assert above.in_sector.item() == pytest.approx(0.5, abs=0.1)
    assert beyond.distinct_unshadowed.item() <= beyond.in_sector.item()
    assert beyond.distinct.item() <= beyond.in_sector.item()


def relative_radius(row: tuple[float, ...], lines: int, samples: int) -> Tensor:
    """(1, lines, samples) distance of each sample from the middle of an ellipse, over its radius in that direction."""
    grid = beam_grid(linear(), lines, samples)
    return relative_radius_squared(torch.tensor(row), grid.x, grid.z).sqrt()


def test_shadow_is_judged_on_the_outline_itself() -> None:
    """Only a ring around the outline is lit, or only this ring is dark: a twentieth of the radius to either side."""
    radius = relative_radius(EGG, 961, 1441)
    grey = torch.full_like(radius, 0.5)
    lit_ring = Beams(grey, 40.0 * ((radius - 1).abs() > 0.05))
    assert visibility_of(lit_ring, grey).unshadowed.item() == 1.0
    shadowed_ring = Beams(grey, 40.0 * ((radius - 1).abs() < 0.05))
    assert visibility_of(shadowed_ring, grey).unshadowed.item() == 0.0


def test_surroundings_reach_half_a_radius_beyond_the_outline() -> None:
    """A dark ring around a bright egg makes it stand out in bright tissue, if it is as wide as that."""
    radius = relative_radius(EGG, LINES, SAMPLES)
    beams, _ = picture(EGG)

    def distinct(ring: float) -> float:
        grey = torch.where((radius > 1.03) & (radius < ring), 0.3, 0.8)
        return visibility_of(beams, grey).distinct.item()

    assert distinct(1.6) == 1.0
    assert distinct(1.1) == 0.0


def test_a_place_belongs_to_a_neighbour_if_the_neighbours_ellipse_contains_it() -> None:
    rows = torch.tensor([[EGG, (12.0, 35.0, 6.0, 5.0, -20.0), (-3.0, 52.0, 9.0, 6.0, 70.0)]])
    is_target = torch.tensor([[True, True, False]])
    points = torch.rand(400, 2, generator=torch.Generator().manual_seed(3)) * 50 + torch.tensor([-25.0, 10.0])
    x, z = (points[:, axis].expand(1, 3, 1, -1) for axis in (0, 1))
    found = visibility._within_another(rows, is_target, x, z)[0, :, 0].numpy()
    first, second, _ = ellipse.contains(rows[0], points)
    assert first.any()
    assert second.any()
    # An object itself, and objects that are no targets, do not count.
    np.testing.assert_array_equal(found, [second, first, first | second])


def test_a_missed_object_is_not_visible() -> None:
    beams, grey = picture(EGG, inside=0.9)
    seen = visibility_of(beams, grey, (float("nan"),) * 5)
    assert [share.item() for share in vars(seen).values()] == [0.0] * 4


def test_steps_of_both_kinds_do_not_add_up() -> None:
    beams, up = picture(EGG, inside=0.8)
    split = torch.linspace(-1, 1, LINES)[None, :, None] < 0
    _, down = picture(EGG, inside=0.2)
    assert visibility_of(beams, up).distinct_unshadowed.item() >= 0.8
    assert visibility_of(beams, torch.where(split, up, down)).distinct_unshadowed.item() <= 0.65


def test_neighbouring_follicles_are_not_surroundings() -> None:
    """Bright balls in a row that nearly touch: tissue lies above and below the middle one, and hardly beside it."""
    balls = [(0.0, 35.0, 6.0, 6.0, 0.0), (-12.5, 35.0, 6.0, 6.0, 0.0), (12.5, 35.0, 6.0, 6.0, 0.0)]
    levels = torch.stack([picture(ball, inside=0.8, rim=0.8, speckle=0.02)[1] for ball in balls])
    beams = picture(EGG)[0]
    rows = torch.tensor([balls])

    def middle_one(is_target: bool) -> float:
        like = torch.full((1, len(balls)), is_target)
        seen = outline_visibility(rows, like, beams, levels.amax(0), linear(), VIEW, 320, 320)
        return seen.distinct_unshadowed[0, 0].item()

    assert middle_one(is_target=True) == 1.0
    assert middle_one(is_target=False) <= 0.75
