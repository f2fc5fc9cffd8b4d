"""What happens to pictures on their way from a machine's screen into a file."""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from dataclasses import dataclass, replace

import cv2
import numpy as np
from numpy.typing import NDArray

from synthetic.film.camera import Camera, draw_camera, project_ellipse
from synthetic.film.film import FilmedFrame

__all__ = ["DIRECT_RECORDING", "Recorder", "draw_recorder"]


@dataclass(frozen=True)
class Recorder:
    """interlaced : a cable carries every other row, so that a frame's odd rows are still those of the frame before
    shrink : how much smaller than the screen the pictures were on their way, 1 or more
    camera : that filmed the screen, or None
    crf : H.264's constant rate factor, from 18 (hardly any loss) to 30 (blocks are seen)
    """

    interlaced: bool = False
    shrink: float = 1.0
    camera: Camera | None = None
    crf: int = 20

    def record(self, frames: Iterable[FilmedFrame]) -> Iterator[FilmedFrame]:
        """The frames as they reach the file, with their truth where it then lies."""
        before: NDArray[np.uint8] | None = None
        lens = self.camera.lens() if self.camera else None
        for index, frame in enumerate(frames):
            grey, objects = frame.grey, frame.objects
            if self.interlaced:
                woven = grey.copy()
                woven[1::2] = (grey if before is None else before)[1::2]
                before, grey = grey, woven
            if self.shrink > 1:
                grey = _scaled(grey, self.shrink)
            if self.camera and lens:
                matrix = self.camera.homography(index, *grey.shape)
                grey = self.camera.capture(grey, matrix, lens)
                objects = tuple(replace(one, ellipse=project_ellipse(one.ellipse, matrix)) for one in objects)
            yield replace(frame, grey=grey, objects=objects)


# A machine that writes its own files, at the quality of most.
DIRECT_RECORDING = Recorder()


def _scaled(grey: NDArray[np.uint8], shrink: float) -> NDArray[np.uint8]:
    """Made smaller and large again, by neighbours' means and along straight lines."""
    height, width = grey.shape
    small = cv2.resize(grey, (round(width / shrink), round(height / shrink)), interpolation=cv2.INTER_AREA)
    return np.asarray(cv2.resize(small, (width, height), interpolation=cv2.INTER_LINEAR), dtype=np.uint8)


def draw_recorder(rng: np.random.Generator) -> Recorder:
    """Seven in ten machines write their own files, two in ten are grabbed from a cable, one screen in ten is filmed."""
    kind = rng.random()
    if kind < 0.7:
        return Recorder(crf=int(rng.integers(18, 26)))
    if kind < 0.9:
        return Recorder(
            interlaced=bool(rng.random() < 0.5), shrink=float(rng.uniform(1.0, 1.6)), crf=int(rng.integers(20, 31))
        )
    return Recorder(camera=draw_camera(rng), crf=int(rng.integers(20, 29)))
