"""How pictures change on their way from a machine's screen into a file."""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from dataclasses import dataclass, replace

import cv2
import numpy as np
from numpy.typing import NDArray

from models.ellipse import project
from synthetic.film.camera import Camera, draw_camera
from synthetic.film.film import FilmedFrame
from synthetic.film.world import ScreenFamily

__all__ = ["DIRECT_RECORDING", "Recorder", "draw_recorder"]


@dataclass(frozen=True)
class Recorder:
    """interlaced : the cable carries every other row, so that the odd rows of a frame are those of the previous frame
    shrink : factor, 1 or more, by which the pictures are reduced and enlarged again
    camera : that films the screen, or None
    crf : the constant rate factor of H.264, from 18 (almost no loss) to 30 (visible blocks)
    """

    interlaced: bool = False
    shrink: float = 1.0
    camera: Camera | None = None
    crf: int = 20

    def record(self, frames: Iterable[FilmedFrame]) -> Iterator[FilmedFrame]:
        """The frames as they reach the file, with their ground truth at its new place."""
        previous: NDArray[np.uint8] | None = None
        lens = self.camera.lens() if self.camera else None
        for index, frame in enumerate(frames):
            grey, objects = frame.grey, frame.objects
            if self.interlaced:
                interlaced = grey.copy()
                interlaced[1::2] = (grey if previous is None else previous)[1::2]
                previous, grey = grey, interlaced
            if self.shrink > 1:
                grey = _reduced_and_enlarged(grey, self.shrink)
            if self.camera and lens:
                matrix = self.camera.homography(index, *grey.shape)
                grey = self.camera.capture(grey, matrix, lens)
                objects = tuple(replace(one, ellipse=tuple(project(one.ellipse, matrix).tolist())) for one in objects)
            yield replace(frame, grey=grey, objects=objects)


# A machine that writes its own files, at the usual quality.
DIRECT_RECORDING = Recorder()


def _reduced_and_enlarged(grey: NDArray[np.uint8], shrink: float) -> NDArray[np.uint8]:
    """Reduced by area means and enlarged again by linear interpolation."""
    height, width = grey.shape
    small = cv2.resize(grey, (round(width / shrink), round(height / shrink)), interpolation=cv2.INTER_AREA)
    return np.asarray(cv2.resize(small, (width, height), interpolation=cv2.INTER_LINEAR), dtype=np.uint8)


def draw_recorder(rng: np.random.Generator, screen: ScreenFamily = "scattered") -> Recorder:
    """In seven of ten cases the machine writes the file, in two a video grabber does, in one a camera films the screen.

    Machines with a panel, which are older, write it in two of ten cases, and a grabber does in seven. Shares and ranges
    are judgement, without a source.
    """
    kind = rng.random()
    if kind < (0.7 if screen == "scattered" else 0.2):
        return Recorder(crf=int(rng.integers(18, 26)))
    if kind < 0.9:
        return Recorder(
            interlaced=bool(rng.random() < 0.5), shrink=float(rng.uniform(1.0, 1.6)), crf=int(rng.integers(20, 31))
        )
    return Recorder(camera=draw_camera(rng), crf=int(rng.integers(20, 29)))
