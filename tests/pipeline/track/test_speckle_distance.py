"""Distances measured on simulated speckle: planes of a volume, recorded with a slice of known thickness.

With a Gaussian slice profile of standard deviation s, echoes of two planes a distance d apart have a correlation of
exp(-d^2 / 4 s^2), and their intensities the square of it (autocorrelation of the profile; Chen, Fowlkes, Carson,
Rubin 1997, from memory).
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
SLICE_MM = 0.6  # standard deviation of its profile
Floats = NDArray[np.float64]


@cache
def layers() -> NDArray[np.complex64]:
    """(300, SIDE, SIDE) echoes of planes 0.1 mm apart, each with speckle of 2 px along the beams and 4 px across."""
    rng = np.random.default_rng(3)
    scatterers = rng.normal(size=(2, 300, SIDE, SIDE)).astype(np.float32)
    blurred = [[cv2.GaussianBlur(layer, (0, 0), sigmaX=2.0, sigmaY=1.0) for layer in part] for part in scatterers]
    return np.asarray(blurred[0], np.float32) + 1j * np.asarray(blurred[1], np.float32)


def plane(at_mm: float, slice_mm: float) -> NDArray[np.complex64]:
    layers_mm = np.arange(len(layers())) * STEP_MM
    weights = np.exp(-((layers_mm - at_mm) ** 2) / (2 * slice_mm**2))
    near = weights > 1e-3
    return np.tensordot(weights[near].astype(np.float32), layers()[near], 1) / np.linalg.norm(weights)


def measured_path(
    positions_mm: Floats, *, noise: float = 0.0, shift: tuple[float, float] = (0, 0), slice_mm: float = SLICE_MM
) -> ProbePath | None:
    """The path of a probe at these positions. noise : grey levels;  shift : px from frame to frame"""
    rng = np.random.default_rng(4)
    estimator = SpeckleDistanceEstimator(np.ones((SIDE, SIDE), dtype=bool), (0, 0, SIDE, SIDE))
    for frame, position in enumerate(positions_mm):
        grey = 128 + 14 * np.log(np.abs(plane(position, slice_mm)) + 0.02) + rng.normal(0, noise, (SIDE, SIDE))
        moved = np.float32([[1, 0, frame * shift[0]], [0, 1, frame * shift[1]]])
        grey = cv2.warpAffine(grey, moved, (SIDE, SIDE), borderMode=cv2.BORDER_REFLECT)
        estimator.add_frame(frame, grey.clip(0, 255).astype(np.uint8))
    return estimator.path()


def known(path: ProbePath | None) -> ProbePath:
    assert path is not None
    return path


def largest_error(path: ProbePath, positions_mm: Floats) -> float:
    """Of the position, as a share of the whole distance, after the best fit of the scale."""
    true = positions_mm - positions_mm[0]
    scale = (true @ path.distance) / (path.distance @ path.distance)
    return float(np.abs(path.distance * scale - true).max() / true[-1])


# Half as fast in the middle, then at rest, then on.
UNEVEN = 4 + np.cumsum(np.repeat([0.35, 0.15, 0.0, 0.35], [15, 15, 10, 15]))


@pytest.mark.parametrize("noise", [0.0, 6.0])
def test_a_probe_that_slows_down_and_rests_is_followed(noise: float) -> None:
    assert largest_error(known(measured_path(UNEVEN, noise=noise)), UNEVEN) < 0.06
    # An even pace would be further off:
    even = ProbePath(np.arange(55), np.arange(55.0), np.zeros((55, 2)))
    assert largest_error(even, UNEVEN) > 0.12


def test_the_unit_of_distance_is_proportional_to_the_slice_thickness() -> None:
    positions = 4 + 0.3 * np.arange(30)
    thin, thick = (
        known(measured_path(positions, slice_mm=slice_mm)).distance[-1] for slice_mm in (SLICE_MM, 2 * SLICE_MM)
    )
    assert thin / thick == pytest.approx(2, rel=0.2)


def test_noise_of_the_machine_is_not_taken_for_travel() -> None:
    resting = known(measured_path(np.full(30, 10.0), noise=8.0))
    moving = known(measured_path(10 + 0.3 * np.arange(30), noise=8.0))
    assert resting.distance[-1] < 0.25 * moving.distance[-1]


def test_movement_within_the_plane_is_distinguished_from_travel_out_of_it() -> None:
    slid = known(measured_path(np.full(30, 10.0), shift=(1.5, -0.5)))
    assert slid.in_plane_shift_px[-1] == pytest.approx([29 * 1.5, -29 * 0.5], abs=2.5)
    assert slid.distance[-1] < 0.3 * known(measured_path(10 + 0.3 * np.arange(30))).distance[-1]


def test_correlations_that_follow_the_model_give_the_steps_back() -> None:
    steps = np.repeat([0.1, 0.3, 0.2], 20)
    along = np.concatenate([[0], np.cumsum(steps)])
    correlations = {
        lag: 0.28 + 0.72 * np.exp(-0.4 - (along[lag:] - along[:-lag]) ** 2) for lag in LAGS
    }  # 0.28 by chance, and 0.4 of noise
    assert step_distances(correlations)[[10, 30, 50]] == pytest.approx([0.1, 0.3, 0.2], abs=0.05)


@pytest.mark.parametrize(("side", "frames"), [(30, 40), (SIDE, 5)])
def test_too_small_a_sector_or_too_short_a_clip_has_no_path(side: int, frames: int) -> None:
    estimator = SpeckleDistanceEstimator(np.ones((side, side), dtype=bool), (0, 0, side, side))
    for frame in range(frames):
        estimator.add_frame(frame, np.random.default_rng(frame).integers(0, 255, (side, side)).astype(np.uint8))
    assert estimator.path() is None


def test_frames_without_contact_have_no_path() -> None:
    estimator = SpeckleDistanceEstimator(np.ones((SIDE, SIDE), dtype=bool), (0, 0, SIDE, SIDE))
    for frame in range(40):
        estimator.add_frame(frame, np.full((SIDE, SIDE), 12, np.uint8))
    assert estimator.path() is None


def test_after_a_turn_positions_fall_and_frames_that_show_one_place_have_one_position() -> None:
    """Out in 40 frames and back in 60, for which speckle measured a tenth too much."""
    along = np.concatenate([np.arange(41.0), 40 + 1.1 * np.arange(1, 61) * 40 / 60])
    path = ProbePath(np.arange(101), along, np.zeros((101, 2)))
    turn = ProbeTurn(40.0, np.array([10.0, 25, 40]), np.array([85.0, 62.5, 40]), 3.0)
    positions = path.positions([turn])
    true = np.concatenate([np.arange(41.0), 40 - np.arange(1, 61) * 40 / 60])
    assert positions[:86] == pytest.approx(true[:86], abs=0.01)
    # Where no pictures show it, the probe goes on from there.
    assert positions[86:] == pytest.approx(true[86:], abs=1.1)
    assert path.positions([])[-1] == along[-1]
