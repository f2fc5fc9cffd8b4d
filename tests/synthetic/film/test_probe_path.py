from __future__ import annotations

import numpy as np
import pytest

from synthetic.film.probe_path import swept_path
from synthetic.film.sweep import Sweep
from synthetic.film.tissue_motion import MOTION_DECAY_MM

FRAMES, DEPTH_MM = 20, 80.0


def sweep(*, slide_mm: float = 0.0, degrees: float = 0.0, pressure_mm: float = 0.0) -> Sweep:
    """An even motion: along the body, rotated from tail to head, and pressed in, by the given amounts in all."""
    share = np.linspace(0, 1, FRAMES)
    yaw = np.deg2rad(degrees) * share
    zeros = np.zeros(FRAMES)
    downs = np.stack([np.cos(yaw), np.sin(yaw), zeros], axis=1)
    pressure = pressure_mm * share
    origins = np.stack([zeros, slide_mm * share, zeros], axis=1) + pressure[:, None] * downs
    rights = np.tile([0.0, 0.0, 1.0], (FRAMES, 1))
    still = np.zeros(FRAMES, dtype=bool)
    return Sweep("left", origins, rights, downs, pressure, np.ones(FRAMES), still)


@pytest.mark.parametrize(
    ("moved", "end"),
    [
        (sweep(slide_mm=20), [20, 0, 0]),
        # When the probe turns about its face, the middle of the picture moves along an arc.
        (sweep(degrees=30), [np.deg2rad(30) * DEPTH_MM / 2, 0, 0]),
        # Tissue moves with the pressed probe, at 40 mm only in part.
        (sweep(pressure_mm=2), [0, 0, 2 - 2 * np.exp(-DEPTH_MM / 2 / MOTION_DECAY_MM)]),
    ],
)
def test_the_path_is_that_of_the_middle_of_the_picture(moved: Sweep, end: list[float]) -> None:
    path = swept_path(moved, np.zeros((FRAMES, 3)), DEPTH_MM)
    assert path[0] == pytest.approx([0, 0, 0])
    assert np.abs(path[-1]) == pytest.approx(end, abs=0.01)


def test_breath_past_a_probe_at_rest_is_motion_the_other_way() -> None:
    breath = np.linspace([0.0, 0, 0], [0, 3, 0], FRAMES)
    path = swept_path(sweep(), breath, DEPTH_MM)
    slid = swept_path(sweep(slide_mm=3), np.zeros((FRAMES, 3)), DEPTH_MM)
    assert path[-1] == pytest.approx(-slid[-1] * (1 - np.exp(-DEPTH_MM / 2 / MOTION_DECAY_MM)))
