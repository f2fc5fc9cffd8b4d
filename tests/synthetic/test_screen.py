from __future__ import annotations

import numpy as np
import pytest
from numpy.typing import NDArray

from synthetic.screen import Screen, draw_screen

HEIGHT, WIDTH = 480, 640


def screen(seed: int) -> Screen:
    return draw_screen(
        np.random.default_rng(seed), HEIGHT, WIDTH, depth_mm=84.0, mm_per_px=0.25, face_y_px=30.4, frequency_mhz=6.5
    )


def furniture(seed: int) -> NDArray[np.uint8]:
    return screen(seed).paint(np.zeros((HEIGHT, WIDTH), dtype=np.uint8))


@pytest.mark.parametrize("seed", range(4))
def test_the_ruler_has_a_tick_a_centimetre_from_the_face_down(seed: int) -> None:
    painted = furniture(seed)
    rows = np.flatnonzero(painted[:, WIDTH - 10])
    assert rows.tolist() == [round(30.4 + centimetre * 40) for centimetre in range(9)]
    lengths = [int((painted[row, WIDTH - 10 :] > 0).sum()) for row in rows]
    long = [9 if centimetre % 5 == 0 else 5 for centimetre in range(9)]
    assert lengths == long


def test_ticks_below_the_screen_are_left_out() -> None:
    drawn = draw_screen(
        np.random.default_rng(0), 240, 320, depth_mm=84.0, mm_per_px=0.25, face_y_px=30.0, frequency_mhz=6.5
    ).paint(np.zeros((240, 320), dtype=np.uint8))
    assert np.flatnonzero(drawn[:, 310]).tolist() == [30, 70, 110, 150, 190, 230]


def test_paint_covers_its_own_place_only() -> None:
    frame = np.full((HEIGHT, WIDTH), 77, dtype=np.uint8)
    painted, own = screen(1).paint(frame), furniture(1)
    assert painted.dtype == np.uint8
    np.testing.assert_array_equal(painted[own == 0], 77)
    np.testing.assert_array_equal(painted[own > 0], own[own > 0])
    assert (frame == 77).all()
    # The middle, where the sector is, stays free.
    assert (own[:, 140 : WIDTH - 20] == 0).all()


def test_machines_differ_and_repeat_with_the_seed() -> None:
    np.testing.assert_array_equal(furniture(5), furniture(5))
    drawn = [furniture(seed) for seed in range(12)]
    bars = [bool((one[HEIGHT // 2 : HEIGHT // 2 + 120, 6] > 0).all()) for one in drawn]
    texts = [bool(one[:60, :130].any()) for one in drawn]
    assert 0 < sum(bars) < 12
    assert 6 <= sum(texts) <= 12
