from __future__ import annotations

from collections.abc import Callable

import numpy as np
import pytest
import torch
from numpy.typing import NDArray

from synthetic.acoustics.geometry import Scanner, View, scan_convert
from synthetic.film.panel_screen import PANEL_PX, draw_panel_screen
from synthetic.film.screen import draw_screen
from synthetic.film.screen_canvas import Screen

HEIGHT, WIDTH = 480, 640
SCANNER = Scanner(*(torch.tensor([value]) for value in (50.0, 0.55, 84.0, 6.5)))
VIEW = View(*(torch.tensor([value]) for value in (0.25, 320.0, 50.4)))
SECTOR = scan_convert(torch.zeros(1, 1, 2, 2), SCANNER, VIEW, HEIGHT, WIDTH)[1][0].numpy()
SEEDS = range(24)
DRAWN = [(draw, seed) for draw in (draw_screen, draw_panel_screen) for seed in SEEDS]


def screen(seed: int) -> Screen:
    return draw_screen(np.random.default_rng(seed), SECTOR, SCANNER, VIEW)


def graphics(seed: int) -> NDArray[np.uint8]:
    """The graphics, brighter than any background."""
    painted = screen(seed).paint(np.zeros((HEIGHT, WIDTH), dtype=np.uint8))
    return np.where(painted > 30, painted, 0).astype(np.uint8)


@pytest.mark.parametrize("seed", SEEDS)
def test_a_ruler_has_ticks_a_centimetre_apart_from_the_face_down(seed: int) -> None:
    drawn = graphics(seed)
    expected = {round(50.4 + centimetre * 40) for centimetre in range(9)}
    # In one of the two margins a column contains the ticks and nothing else; dots are a few pixels high.
    margins = [*range(2, 20), *range(WIDTH - 20, WIDTH - 2)]
    found = [set(np.flatnonzero(drawn[:, column]).tolist()) for column in margins]
    assert any(expected <= rows and len(rows) <= 9 * 5 + 20 for rows in found)


@pytest.mark.parametrize(("draw", "seed"), DRAWN)
def test_the_sector_is_not_painted_over(draw: Callable[..., Screen], seed: int) -> None:
    frame = np.full((HEIGHT, WIDTH), 77, dtype=np.uint8)
    drawn = draw(np.random.default_rng(seed), SECTOR, SCANNER, VIEW)
    painted = drawn.paint(frame)
    assert painted.dtype == np.uint8
    assert (painted[SECTOR] == 77).all()
    # Outside it, nothing of the frame is visible.
    assert (painted[~SECTOR] == drawn.paint(np.zeros_like(frame))[~SECTOR]).all()
    assert (frame == 77).all()


def test_ticks_below_the_screen_are_left_out() -> None:
    """With 84 mm of depth on a screen of 60 mm the last tick is at 5 cm."""
    low = SECTOR[:290]
    drawn = draw_screen(np.random.default_rng(3), low, SCANNER, VIEW).paint(np.zeros(low.shape, np.uint8))
    assert drawn.shape == (290, WIDTH)


def test_elements_do_not_cover_each_other() -> None:
    """A grey bar falls evenly at any place, so nothing is drawn over it."""
    bars = 0
    for seed in SEEDS:
        drawn = graphics(seed)
        for column in (*range(4, 30), *range(WIDTH - 40, WIDTH - 4)):
            steps = np.diff(drawn[:, column].astype(int))
            falling = np.flatnonzero((steps <= 0) & (drawn[:-1, column] > 40) & (drawn[1:, column] > 40))
            runs = np.split(falling, np.flatnonzero(np.diff(falling) > 1) + 1)
            if max(map(len, runs)) >= 60:
                bars += 1
                break
    assert 6 <= bars <= 20


def test_screens_differ_and_depend_on_the_seed() -> None:
    np.testing.assert_array_equal(graphics(5), graphics(5))
    drawn = np.stack([graphics(seed) > 0 for seed in SEEDS])
    halves = {
        "left": np.s_[:, 60:420, :20],
        "right": np.s_[:, 60:420, -20:],
        "top": np.s_[:, :40],
        "foot": np.s_[:, 440:],
    }
    for place, where in halves.items():
        used = drawn[where].reshape(len(drawn), -1).any(1).sum()
        assert 0 < used <= len(drawn), place
    bare = [screen(seed).paint(np.zeros((HEIGHT, WIDTH), np.uint8)) for seed in SEEDS]
    greys = {int(np.median(one[~SECTOR])) for one in bare}
    assert 0 in greys
    assert len(greys) >= 5
    assert max(greys) < 25


@pytest.mark.parametrize("seed", SEEDS)
def test_a_panel_has_text_and_a_ruler_in_centimetres(seed: int) -> None:
    # A flat face beside the panel.
    view = View(*(torch.tensor([value]) for value in (0.25, 385.0, 20.0)))
    scanner = Scanner(*(torch.tensor([value]) for value in (2000.0, 0.0125, 84.0, 6.5)))
    sector = scan_convert(torch.zeros(1, 1, 2, 2), scanner, view, HEIGHT, WIDTH)[1][0].numpy()
    drawn = draw_panel_screen(np.random.default_rng(seed), sector, scanner, view)
    painted = drawn.paint(np.zeros((HEIGHT, WIDTH), dtype=np.uint8))
    bright = painted > 100
    assert bright[30:430, : PANEL_PX - 14].sum() > 200
    columns = np.flatnonzero(sector.any(axis=0))
    sides = [bright[:, columns[0] - 10], bright[:, columns[-1] + 10]]
    expected = {20 + 40 * centimetre for centimetre in range(9)}
    assert any(set(np.flatnonzero(side[15:470]) + 15) >= {20, 220} for side in sides)
    assert any(expected >= set(np.flatnonzero(side[15:470]) + 15) != set() for side in sides)
