"""Rulers of simulated screens, whose ticks are 10 mm apart; the search does not know that."""

from __future__ import annotations

import cv2
import numpy as np
import pytest

from pipeline.ingest.sector.ruler import Ruler, find_ruler, matching_tick_mm
from pipeline.ingest.sector.sector import Sector
from tests.pipeline.ingest.sector_screens import simulated_screens


def test_rulers_of_simulated_screens() -> None:
    for screen in simulated_screens(6, 9106, 1):
        ys, xs = np.nonzero(screen.sector_mask)
        sector = Sector("fan", screen.sector_mask, (int(xs.min()), int(ys.min()), int(xs.max()) + 1, int(ys.max()) + 1))
        ruler = find_ruler(screen.frames[0], sector)
        assert ruler is not None
        assert ruler.spacing_px == pytest.approx(10 / screen.mm_per_px, rel=0.01)
        assert matching_tick_mm(ruler.spacing_px, screen.mm_per_px) == 10.0
        assert matching_tick_mm(ruler.spacing_px, 0.7 * screen.mm_per_px) is None


def test_text_and_a_grey_bar_are_not_a_ruler() -> None:
    mask = np.zeros((480, 640), np.bool_)
    mask[40:440, 100:500] = True
    grey = np.zeros((480, 640), np.uint8)
    for line, text in enumerate(("8.0 MHz", "D 9.1 cm", "G 36 %", "Alder Fen", "repro", "22 Hz")):
        cv2.putText(grey, text, (510, 40 + 17 * line + 3 * (line % 2)), cv2.FONT_HERSHEY_SIMPLEX, 0.45, 220, 1)
    grey[200:400, 20:30] = np.linspace(255, 0, 200).astype(np.uint8)[:, None]
    assert find_ruler(grey, Sector("rectangle", mask, (100, 40, 500, 440))) is None


def test_a_missing_tick_lowers_the_confidence_and_only_common_units_match() -> None:
    mask = np.zeros((480, 640), np.bool_)
    mask[40:440, 100:500] = True
    grey = np.zeros((480, 640), np.uint8)
    for tick in [*range(40, 200, 20), *range(220, 440, 20)]:
        grey[tick, 620:630] = 200
    found = find_ruler(grey, Sector("rectangle", mask, (100, 40, 500, 440)))
    assert found == Ruler(pytest.approx(20.0), 19, pytest.approx(19 / 20))
    assert [matching_tick_mm(20.0, scale) for scale in (0.05, 0.1, 0.25, 0.5, 0.37)] == [1.0, 2.0, 5.0, 10.0, None]
    assert [matching_tick_mm(20.0, scale, 5.0) for scale in (0.05, 0.25)] == [None, 5.0]
