from __future__ import annotations

import cv2
import numpy as np
import pytest

from models import ellipse
from synthetic.film.camera import Camera, draw_camera, project_ellipse

HEIGHT, WIDTH = 480, 640
EGGS = ((320.0, 240.0, 60.0, 40.0, 30.0), (80.0, 400.0, 45.0, 44.0, -80.0), (590.0, 60.0, 25.0, 12.0, 5.0))


def camera(seed: int) -> Camera:
    return draw_camera(np.random.default_rng(seed))


@pytest.mark.parametrize("seed", range(5))
@pytest.mark.parametrize("egg", EGGS)
def test_truth_goes_where_every_point_of_the_outline_goes(
    seed: int, egg: tuple[float, float, float, float, float]
) -> None:
    matrix = camera(seed).homography(7, HEIGHT, WIDTH)
    points = ellipse.outline(egg, 60)[0]
    moved = cv2.perspectiveTransform(points[None], matrix)[0]
    fitted = ellipse.fit(moved)
    assert fitted is not None
    np.testing.assert_allclose(project_ellipse(egg, matrix)[:4], fitted[:4], atol=1e-4)
    # The major axis of a nearly round egg may lie anywhere: compare areas instead of angles.
    assert ellipse.overlap(project_ellipse(egg, matrix), fitted)[0, 0] > 0.999


@pytest.mark.parametrize("seed", range(5))
def test_the_picture_goes_where_truth_goes(seed: int) -> None:
    """A bright egg is drawn on the screen, filmed, and its outline found again in the camera's picture."""
    one = camera(seed)
    matrix = one.homography(3, HEIGHT, WIDTH)
    for egg in EGGS[:2]:
        fine = np.zeros((8 * HEIGHT, 8 * WIDTH), np.uint8)
        centre, size = ((egg[0] + 0.5) * 8 - 0.5, (egg[1] + 0.5) * 8 - 0.5), (16 * egg[2], 16 * egg[3])
        cv2.ellipse(fine, (centre, size, egg[4]), 200, -1)
        screen = cv2.resize(fine, (WIDTH, HEIGHT), interpolation=cv2.INTER_AREA)
        seen = one.capture(screen, matrix, lambda picture: picture).astype(float)
        inside = seen > 0.4 * seen.max()
        moments = cv2.moments(inside.astype(np.uint8), binaryImage=True)
        found = moments["m10"] / moments["m00"], moments["m01"] / moments["m00"]
        truth = project_ellipse(egg, matrix)
        np.testing.assert_allclose(found, truth[:2], atol=0.3)
        assert moments["m00"] == pytest.approx(np.pi * truth[2] * truth[3], rel=0.04)


def test_the_middle_of_the_screen_keeps_its_scale_and_nothing_goes_far() -> None:
    corners = np.array([[[0, 0], [WIDTH - 1, 0], [0, HEIGHT - 1], [WIDTH - 1, HEIGHT - 1]]], dtype=np.float64)
    for seed in range(20):
        matrix = camera(seed).homography(0, HEIGHT, WIDTH)
        small = project_ellipse((319.5, 239.5, 5.0, 5.0, 0.0), matrix)
        assert small[2] * small[3] == pytest.approx(25.0, rel=1e-3)
        moved = cv2.perspectiveTransform(corners, matrix)
        assert np.abs(moved - corners).max() < 45


def test_a_hand_shakes_a_little_and_slowly() -> None:
    one = camera(4)
    places = np.stack([one.homography(frame, HEIGHT, WIDTH)[:2, 2] for frame in range(100)])
    assert 0.3 < np.ptp(places, axis=0).max() < 4
    assert np.abs(np.diff(places, axis=0)).max() < 1


def test_lens_and_light_are_the_same_for_all_frames_and_differ_between_cameras() -> None:
    screen = np.random.default_rng(1).integers(40, 200, (HEIGHT, WIDTH)).astype(np.uint8)
    lenses = [camera(seed).lens() for seed in (1, 1, 2)]
    one, again, other = (lens(screen) for lens in lenses)
    np.testing.assert_array_equal(one, again)
    np.testing.assert_array_equal(one, lenses[0](screen))
    assert np.abs(one.astype(int) - other).mean() > 1
