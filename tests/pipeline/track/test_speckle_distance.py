"""Travel read off speckle that was made for the purpose: planes of a volume that a slice of known thickness reads.

A slice whose profile is a Gaussian of deviation s makes echoes of two planes a distance d apart alike by exp(-d^2 /
4 s^2), and their intensities by the square of it (autocorrelation of the profile; Chen, Fowlkes, Carson, Rubin 1997,
from memory).
"""

from __future__ import annotations

from functools import cache

import cv2
import numpy as np
import pytest
from numpy.typing import NDArray

from pipeline.track.probe_path import ProbePath
from pipeline.track.probe_turns import ProbeTurn
from pipeline.track.speckle_distance import LAGS, SpeckleDistanceEstimator, step_distances

SIDE, STEP_MM = 110, 0.1
SLICE_MM = 0.6  # deviation of its profile
Floats = NDArray[np.float64]


@cache
def slabs() -> NDArray[np.complex64]:
    """(300, SIDE, SIDE) echoes of planes 0.1 mm apart, each a speckle picture of 2 px along and 4 px across."""
    rng = np.random.default_rng(3)
    scatterers = rng.normal(size=(2, 300, SIDE, SIDE)).astype(np.float32)
    smeared = [[cv2.GaussianBlur(layer, (0, 0), sigmaX=2.0, sigmaY=1.0) for layer in part] for part in scatterers]
    return np.asarray(smeared[0], np.float32) + 1j * np.asarray(smeared[1], np.float32)


def plane(at_mm: float, slice_mm: float) -> NDArray[np.complex64]:
    places = np.arange(len(slabs())) * STEP_MM
    weights = np.exp(-((places - at_mm) ** 2) / (2 * slice_mm**2))
    near = weights > 1e-3
    return np.tensordot(weights[near].astype(np.float32), slabs()[near], 1) / np.linalg.norm(weights)


def filmed(
    places_mm: Floats, *, noise: float = 0.0, shift: tuple[float, float] = (0, 0), slice_mm: float = SLICE_MM
) -> ProbePath | None:
    """noise : of the picture, grey levels;  shift : px from frame to frame"""
    rng = np.random.default_rng(4)
    travel = SpeckleDistanceEstimator(np.ones((SIDE, SIDE), dtype=bool), (0, 0, SIDE, SIDE))
    for frame, place in enumerate(places_mm):
        grey = 128 + 14 * np.log(np.abs(plane(place, slice_mm)) + 0.02) + rng.normal(0, noise, (SIDE, SIDE))
        moved = np.float32([[1, 0, frame * shift[0]], [0, 1, frame * shift[1]]])
        grey = cv2.warpAffine(grey, moved, (SIDE, SIDE), borderMode=cv2.BORDER_REFLECT)
        travel.add_frame(frame, grey.clip(0, 255).astype(np.uint8))
    return travel.path()


def told(path: ProbePath | None) -> ProbePath:
    assert path is not None
    return path


def off(path: ProbePath, places_mm: Floats) -> float:
    """Largest error of the place, as a share of the way, after the scale that fits best."""
    way = places_mm - places_mm[0]
    return float(np.abs(path.distance * (way @ path.distance) / (path.distance @ path.distance) - way).max() / way[-1])


# Half as fast in the middle, at rest, and on.
UNEVEN = 4 + np.cumsum(np.repeat([0.35, 0.15, 0.0, 0.35], [15, 15, 10, 15]))


@pytest.mark.parametrize("noise", [0.0, 6.0])
def test_a_hand_that_slows_and_rests_is_seen_to(noise: float) -> None:
    assert off(told(filmed(UNEVEN, noise=noise)), UNEVEN) < 0.06
    # By the frames alone:
    even = ProbePath(np.arange(55), np.arange(55.0), np.zeros((55, 2)))
    assert off(even, UNEVEN) > 0.12


def test_the_unit_of_the_way_goes_with_the_thickness_of_the_slice() -> None:
    places = 4 + 0.3 * np.arange(30)
    thin, thick = (told(filmed(places, slice_mm=slice_mm)).distance[-1] for slice_mm in (SLICE_MM, 2 * SLICE_MM))
    assert thin / thick == pytest.approx(2, rel=0.2)


def test_noise_of_the_machine_is_no_travel() -> None:
    resting = told(filmed(np.full(30, 10.0), noise=8.0))
    moving = told(filmed(10 + 0.3 * np.arange(30), noise=8.0))
    assert resting.distance[-1] < 0.25 * moving.distance[-1]


def test_a_slide_in_the_plane_is_told_apart_from_travel_out_of_it() -> None:
    slid = told(filmed(np.full(30, 10.0), shift=(1.5, -0.5)))
    assert slid.in_plane_shift_px[-1] == pytest.approx([29 * 1.5, -29 * 0.5], abs=2.5)
    assert slid.distance[-1] < 0.3 * told(filmed(10 + 0.3 * np.arange(30))).distance[-1]


def test_correlations_that_fall_as_foretold_give_the_steps_back() -> None:
    steps = np.repeat([0.1, 0.3, 0.2], 20)
    along = np.concatenate([[0], np.cumsum(steps)])
    alike = {
        lag: 0.28 + 0.72 * np.exp(-0.4 - (along[lag:] - along[:-lag]) ** 2) for lag in LAGS
    }  # 0.28 by chance alone, and 0.4 of noise
    assert step_distances(alike)[[10, 30, 50]] == pytest.approx([0.1, 0.3, 0.2], abs=0.05)


@pytest.mark.parametrize(("side", "frames"), [(30, 40), (SIDE, 5)])
def test_of_too_little_no_path_is_told(side: int, frames: int) -> None:
    travel = SpeckleDistanceEstimator(np.ones((side, side), dtype=bool), (0, 0, side, side))
    for frame in range(frames):
        travel.add_frame(frame, np.random.default_rng(frame).integers(0, 255, (side, side)).astype(np.uint8))
    assert travel.path() is None


def test_frames_without_contact_tell_nothing() -> None:
    travel = SpeckleDistanceEstimator(np.ones((SIDE, SIDE), dtype=bool), (0, 0, SIDE, SIDE))
    for frame in range(40):
        travel.add_frame(frame, np.full((SIDE, SIDE), 12, np.uint8))
    assert travel.path() is None


def test_after_a_turn_places_fall_and_frames_that_show_one_place_lie_at_one() -> None:
    """There in 40 frames and back in 60, of which speckle told a tenth too much."""
    along = np.concatenate([np.arange(41.0), 40 + 1.1 * np.arange(1, 61) * 40 / 60])
    path = ProbePath(np.arange(101), along, np.zeros((101, 2)))
    turn = ProbeTurn(40.0, np.array([10.0, 25, 40]), np.array([85.0, 62.5, 40]), 3.0)
    places = path.positions([turn])
    true = np.concatenate([np.arange(41.0), 40 - np.arange(1, 61) * 40 / 60])
    assert places[:86] == pytest.approx(true[:86], abs=0.01)
    # Where no pictures tell, the hand went on from there.
    assert places[86:] == pytest.approx(true[86:], abs=1.1)
    assert path.positions([])[-1] == along[-1]


def test_beyond_its_frames_a_path_goes_on_at_its_pace() -> None:
    path = ProbePath(np.array([10, 20]), np.array([0.0, 5.0]), np.zeros((2, 2)))
    assert path.distance_at([0, 15, 30]) == pytest.approx([-5, 2.5, 10])
