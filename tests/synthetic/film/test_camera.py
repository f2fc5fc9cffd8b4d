from __future__ import annotations

import cv2
import numpy as np
import pytest

from models import ellipse
from synthetic.film.camera import Camera, draw_camera

HEIGHT, WIDTH = 480, 640
EGGS = ((320.0, 240.0, 60.0, 40.0, 30.0), (80.0, 400.0, 45.0, 44.0, -80.0), (590.0, 60.0, 25.0, 12.0, 5.0))


def camera(seed: int) -> Camera:
    return draw_camera(np.random.default_rng(seed))


@pytest.mark.parametrize("seed", range(5))
@pytest.mark.parametrize("egg", EGGS)
def test_ground_truth_moves_with_every_point_of_the_outline(
    seed: int, egg: tuple[float, float, float, float, float]
) -> None:
    matrix = camera(seed).homography(7, HEIGHT, WIDTH)
    points = ellipse.outline(egg, 60)[0]
    moved = cv2.perspectiveTransform(points[None], matrix)[0]
    # OpenCV fits points in single precision.
    (cx, cy), (width, height), degrees = cv2.fitEllipseDirect(moved.astype(np.float32))
    fitted = ellipse.canonical([cx, cy, width / 2, height / 2, degrees])[0]
    np.testing.assert_allclose(ellipse.project(egg, matrix)[:4], fitted[:4], atol=1e-3)
    # The major axis of a nearly round egg may lie anywhere: compare areas instead of angles.
    assert ellipse.overlap(ellipse.project(egg, matrix), fitted)[0, 0] > 0.999


@pytest.mark.parametrize("seed", range(5))
def test_the_picture_moves_with_the_ground_truth(seed: int) -> None:
    """A bright egg is drawn on the screen, filmed, and measured in the camera's picture."""
    one = camera(seed)
    matrix = one.homography(3, HEIGHT, WIDTH)
    for egg in EGGS[:2]:
        fine = np.zeros((8 * HEIGHT, 8 * WIDTH), np.uint8)
        centre, size = ((egg[0] + 0.5) * 8 - 0.5, (egg[1] + 0.5) * 8 - 0.5), (16 * egg[2], 16 * egg[3])
        cv2.ellipse(fine, (centre, size, egg[4]), 200, -1)
        screen = cv2.resize(fine, (WIDTH, HEIGHT), interpolation=cv2.INTER_AREA)
        filmed = one.capture(screen, matrix, lambda picture: picture).astype(float)
        inside = filmed > 0.4 * filmed.max()
        moments = cv2.moments(inside.astype(np.uint8), binaryImage=True)
        found = moments["m10"] / moments["m00"], moments["m01"] / moments["m00"]
        truth = ellipse.project(egg, matrix)
        np.testing.assert_allclose(found, truth[:2], atol=0.3)
        assert moments["m00"] == pytest.approx(np.pi * truth[2] * truth[3], rel=0.04)


def test_the_scale_is_kept_in_the_middle_and_corners_move_little() -> None:
    corners = np.array([[[0, 0], [WIDTH - 1, 0], [0, HEIGHT - 1], [WIDTH - 1, HEIGHT - 1]]], dtype=np.float64)
    for seed in range(20):
        matrix = camera(seed).homography(0, HEIGHT, WIDTH)
        small = ellipse.project((319.5, 239.5, 5.0, 5.0, 0.0), matrix)
        assert small[2] * small[3] == pytest.approx(25.0, rel=1e-3)
        moved = cv2.perspectiveTransform(corners, matrix)
        assert np.abs(moved - corners).max() < 45


def test_the_shake_is_small_and_slow() -> None:
    one = camera(4)
    places = np.stack([one.homography(frame, HEIGHT, WIDTH)[:2, 2] for frame in range(100)])
    assert 0.3 < np.ptp(places, axis=0).max() < 4
    assert np.abs(np.diff(places, axis=0)).max() < 1


def test_lens_and_light_are_constant_and_differ_between_cameras() -> None:
    screen = np.random.default_rng(1).integers(40, 200, (HEIGHT, WIDTH)).astype(np.uint8)
    lenses = [camera(seed).lens() for seed in (1, 1, 2)]
    one, again, other = (lens(screen) for lens in lenses)
    np.testing.assert_array_equal(one, again)
    np.testing.assert_array_equal(one, lenses[0](screen))
    assert np.abs(one.astype(int) - other).mean() > 1
