"""A camera, or a telephone, held before a machine's screen: where it sees what, and how.

Screen and camera coordinates in px: x right, y down, pixel centres at whole numbers. The camera stands so that the
middle of the screen keeps its scale; towards the edges the scale changes by a few hundredths.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

__all__ = ["Camera", "draw_camera", "project_ellipse"]

Picture = NDArray[np.uint8]
Matrix = NDArray[np.float64]

# How far perspective changes the scale 320 px from the middle, at most; the angle by which the camera is held askew;
# how far a hand shakes.
_PERSPECTIVE, _ASKEW_DEGREES, _SHAKE_PX = 0.03, 2.0, 1.5
_TREMORS = 3


@dataclass(frozen=True)
class Camera:
    """perspective : per px across and down;  roll_degrees : how the camera is turned
    tremors : of the hand, three of amplitudes in px across and down, radians a frame, and radians across and down
    moire : strength, period in px and direction in radians of the bands between its pixels and the screen's
    surround_grey : grey of what surrounds the screen;  seed : of lens and light
    """

    perspective: tuple[float, float]
    roll_degrees: float
    tremors: tuple[tuple[float, float, float, float, float], ...]
    moire: tuple[float, float, float]
    surround_grey: int
    seed: int

    def homography(self, frame: int, height: int, width: int) -> Matrix:
        """(3, 3) from the screen to the camera's picture of that frame."""
        right, down, rate, phase_right, phase_down = np.array(self.tremors).T
        shake = np.array(
            [np.sum(right * np.sin(rate * frame + phase_right)), np.sum(down * np.sin(rate * frame + phase_down))]
        )
        angle = np.deg2rad(self.roll_degrees)
        middle = np.array([(width - 1) / 2, (height - 1) / 2])
        to_middle, back = np.eye(3), np.eye(3)
        to_middle[:2, 2], back[:2, 2] = -middle, middle + shake
        turned = np.array(
            [[np.cos(angle), -np.sin(angle), 0.0], [np.sin(angle), np.cos(angle), 0.0], [*self.perspective, 1.0]]
        )
        return np.asarray(back @ turned @ to_middle)

    def capture(self, screen: Picture, matrix: Matrix, lens: Callable[[Picture], Picture]) -> Picture:
        """(H, W) the camera's picture of a screen."""
        height, width = screen.shape
        seen = cv2.warpPerspective(
            screen,
            matrix,
            (width, height),
            flags=cv2.INTER_LINEAR,
            borderMode=cv2.BORDER_CONSTANT,
            borderValue=self.surround_grey,
        )
        strength, period, direction = self.moire
        y, x = np.mgrid[:height, :width].astype(np.float32)
        # The bands move with the hand, far more than it does.
        x, y = x - 8 * matrix[0, 2], y - 8 * matrix[1, 2]
        bands = np.cos((x * np.cos(direction) + y * np.sin(direction)) * (2 * np.pi / period))
        return lens((seen * (1 - strength / 2 + strength / 2 * bands)).astype(np.uint8))

    def lens(self) -> Callable[[Picture], Picture]:
        """What lens, exposure and the light in the room do to every picture alike."""
        import albumentations  # heavy, and needed for few clips

        transform = albumentations.ReplayCompose(
            [
                albumentations.Defocus(radius=(1, 2), alias_blur=(0.1, 0.3), p=0.6),
                albumentations.RandomToneCurve(scale=0.15, p=0.8),
                albumentations.Illumination(intensity_range=(0.05, 0.2), p=0.8),
            ]
        )
        transform.set_random_seed(self.seed)
        drawn = transform(image=np.zeros((16, 16), np.uint8))["replay"]

        def look(picture: Picture) -> Picture:
            return np.asarray(albumentations.ReplayCompose.replay(drawn, image=picture)["image"], dtype=np.uint8)

        return look


def draw_camera(rng: np.random.Generator) -> Camera:
    """A camera held by someone who means well."""
    across, down = rng.uniform(-_PERSPECTIVE, _PERSPECTIVE, 2) / 320
    return Camera(
        perspective=(float(across), float(down)),
        roll_degrees=float(rng.uniform(-_ASKEW_DEGREES, _ASKEW_DEGREES)),
        tremors=tuple(_draw_tremor(rng) for _ in range(_TREMORS)),
        moire=(float(rng.uniform(0.0, 0.12)), float(rng.uniform(3, 40)), float(rng.uniform(0, np.pi))),
        surround_grey=int(rng.integers(0, 40)),
        seed=int(rng.integers(2**31)),
    )


def _draw_tremor(rng: np.random.Generator) -> tuple[float, float, float, float, float]:
    right, down = rng.uniform(0, _SHAKE_PX / _TREMORS, 2)
    phases = rng.uniform(0, 2 * np.pi, 2)
    return float(right), float(down), float(rng.uniform(0.02, 0.6)), float(phases[0]), float(phases[1])


def project_ellipse(
    ellipse: tuple[float, float, float, float, float], matrix: Matrix
) -> tuple[float, float, float, float, float]:
    """An ellipse [cx, cy, semi-major, semi-minor, degrees] of the screen as the camera sees it: exactly an ellipse.

    A conic x' C x = 0 in homogeneous coordinates becomes x' H^-T C H^-1 x = 0 under the map H.
    """
    cx, cy, a, b, degrees = ellipse
    cosine, sine = np.cos(np.deg2rad(degrees)), np.sin(np.deg2rad(degrees))
    to_circle = np.array(
        [
            [cosine / a, sine / a, -(cosine * cx + sine * cy) / a],
            [-sine / b, cosine / b, (sine * cx - cosine * cy) / b],
            [0.0, 0.0, 1.0],
        ]
    ) @ np.linalg.inv(matrix)
    conic = to_circle.T @ np.diag([1.0, 1.0, -1.0]) @ to_circle
    shape, linear = conic[:2, :2], conic[:2, 2]
    centre = -np.linalg.solve(shape, linear)
    values, vectors = np.linalg.eigh(shape / -(conic[2, 2] + linear @ centre))
    # The least value belongs to the longest axis.
    angle = float(np.rad2deg(np.arctan2(vectors[1, 0], vectors[0, 0])))
    angle = (angle + 90.0) % 180.0 - 90.0
    semi_major, semi_minor = 1 / np.sqrt(values)
    return float(centre[0]), float(centre[1]), float(semi_major), float(semi_minor), angle
