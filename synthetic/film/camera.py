"""A camera or a telephone that films a machine's screen: how it changes the picture.

Screen and camera coordinates in px: x right, y down, pixel centres at whole numbers. In the middle of the screen the
scale does not change; towards the edges it changes by a few per cent.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from synthetic.training.augmentation_library import import_albumentations

__all__ = ["Camera", "draw_camera"]

Picture = NDArray[np.uint8]
Matrix = NDArray[np.float64]


@dataclass(frozen=True)
class _CameraRanges:
    """The ranges of cameras held by someone who tries to film well. Judgement, no source.

    perspective : largest change of scale, 320 px from the middle;  roll_degrees : largest rotation of the camera
    shake_px : largest amplitude of all tremors together;  tremors : number of sinusoids that make up the shake
    tremor_rate : radians per frame, from, to;  moire_strength : largest, as a share of the brightness
    moire_period_px : from, to;  surround_grey : brightest surroundings of the screen
    """

    perspective: float = 0.03
    roll_degrees: float = 2.0
    shake_px: float = 1.5
    tremors: int = 3
    tremor_rate: tuple[float, float] = (0.02, 0.6)
    moire_strength: float = 0.12
    moire_period_px: tuple[float, float] = (3, 40)
    surround_grey: int = 40


_RANGES = _CameraRanges()


@dataclass(frozen=True)
class Tremor:
    """One sinusoid of a shaking hand. right_px, down_px : amplitudes;  rate : radians per frame
    phase_right, phase_down : radians
    """

    right_px: float
    down_px: float
    rate: float
    phase_right: float
    phase_down: float


@dataclass(frozen=True)
class Moire:
    """Bands between the pixels of camera and screen. strength : share of the brightness;  direction : radians"""

    strength: float
    period_px: float
    direction: float


@dataclass(frozen=True)
class Camera:
    """perspective : per px across and down;  roll_degrees : rotation of the camera;  tremors : of the hand
    surround_grey : grey of what surrounds the screen;  seed : of lens and light
    """

    perspective: tuple[float, float]
    roll_degrees: float
    tremors: tuple[Tremor, ...]
    moire: Moire
    surround_grey: int
    seed: int

    def homography(self, frame: int, height: int, width: int) -> Matrix:
        """(3, 3) from the screen to the camera's picture in that frame."""

        def of_tremors(name: str) -> NDArray[np.float64]:
            return np.array([getattr(each, name) for each in self.tremors])

        phase = of_tremors("rate") * frame
        shake_right = np.sum(of_tremors("right_px") * np.sin(phase + of_tremors("phase_right")))
        shake_down = np.sum(of_tremors("down_px") * np.sin(phase + of_tremors("phase_down")))
        shake = np.array([shake_right, shake_down])
        angle = np.deg2rad(self.roll_degrees)
        centre = np.array([(width - 1) / 2, (height - 1) / 2])
        to_centre, back = np.eye(3), np.eye(3)
        to_centre[:2, 2], back[:2, 2] = -centre, centre + shake
        rotated = np.array(
            [[np.cos(angle), -np.sin(angle), 0.0], [np.sin(angle), np.cos(angle), 0.0], [*self.perspective, 1.0]]
        )
        return np.asarray(back @ rotated @ to_centre)

    def capture(self, screen: Picture, matrix: Matrix, lens: Callable[[Picture], Picture]) -> Picture:
        """(H, W) the camera's picture of a screen. matrix : the homography of the frame;  lens : see lens()"""
        height, width = screen.shape
        picture = cv2.warpPerspective(
            screen,
            matrix,
            (width, height),
            flags=cv2.INTER_LINEAR,
            borderMode=cv2.BORDER_CONSTANT,
            borderValue=self.surround_grey,
        )
        moire = self.moire
        y, x = np.mgrid[:height, :width].astype(np.float32)
        # The bands move with the hand, much further than the hand itself.
        x, y = x - 8 * matrix[0, 2], y - 8 * matrix[1, 2]
        bands = np.cos((x * np.cos(moire.direction) + y * np.sin(moire.direction)) * (2 * np.pi / moire.period_px))
        return lens((picture * (1 - moire.strength / 2 + moire.strength / 2 * bands)).astype(np.uint8))

    def lens(self) -> Callable[[Picture], Picture]:
        """The effect of lens, exposure and light, the same for every picture."""
        albumentations = import_albumentations()
        transform = albumentations.ReplayCompose(
            [
                albumentations.Defocus(radius=(1, 2), alias_blur=(0.1, 0.3), p=0.6),
                albumentations.RandomToneCurve(scale=0.15, p=0.8),
                albumentations.Illumination(intensity_range=(0.05, 0.2), p=0.8),
            ]
        )
        transform.set_random_seed(self.seed)
        parameters = transform(image=np.zeros((16, 16), np.uint8))["replay"]

        def apply(picture: Picture) -> Picture:
            return np.asarray(albumentations.ReplayCompose.replay(parameters, image=picture)["image"], dtype=np.uint8)

        return apply


def draw_camera(rng: np.random.Generator) -> Camera:
    """A camera held by someone who tries to film well."""
    ranges = _RANGES
    across, down = rng.uniform(-ranges.perspective, ranges.perspective, 2) / 320
    return Camera(
        perspective=(float(across), float(down)),
        roll_degrees=float(rng.uniform(-ranges.roll_degrees, ranges.roll_degrees)),
        tremors=tuple(_draw_tremor(rng) for _ in range(ranges.tremors)),
        moire=Moire(
            strength=float(rng.uniform(0.0, ranges.moire_strength)),
            period_px=float(rng.uniform(*ranges.moire_period_px)),
            direction=float(rng.uniform(0, np.pi)),
        ),
        surround_grey=int(rng.integers(0, ranges.surround_grey)),
        seed=int(rng.integers(2**31)),
    )


def _draw_tremor(rng: np.random.Generator) -> Tremor:
    right, down = rng.uniform(0, _RANGES.shake_px / _RANGES.tremors, 2)
    phases = rng.uniform(0, 2 * np.pi, 2)
    return Tremor(
        right_px=float(right),
        down_px=float(down),
        rate=float(rng.uniform(*_RANGES.tremor_rate)),
        phase_right=float(phases[0]),
        phase_down=float(phases[1]),
    )
