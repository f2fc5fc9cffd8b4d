"""Frames to detections: the sector is cut out, scaled to the network's input, and the answers mapped back."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Protocol

import cv2
import numpy as np
from numpy.typing import NDArray

from models.decode import decode
from models.engine import Engine
from models.output_channels import INPUT_SIDE_PX
from pipeline.ingest.frame import Frame
from pipeline.ingest.sector.sector import Sector
from pipeline.settings_tables import DetectSettings

__all__ = ["Detections", "Detector", "FrameDetector", "InputTransform", "ModelInfo"]

_SHARES_OF_WHITE = np.arange(256, dtype=np.float32) / np.float32(255)  # of each grey level


@dataclass(frozen=True)
class Detections:
    """What was found in one frame, highest score first.

    frame : index from 0 in decoding order
    ellipses : (N, 5) float64, [cx, cy, semi-major, semi-minor, degrees] in px of the source frame
    depths_px : (N,) float64, from the probe's face to the centre, along the beam
    stage_probabilities : (N, 3) float64, follicle, thin-shelled, calcified; rows sum to 1
    scores : (N,) float64 in [0, 1]
    outline_uncertainties : (N, 2) float64, the detector's own uncertainty: expected absolute error of either coordinate
        of the centre (px of the source frame) and of the logarithm of a semi-axis; NaN where it gives none
    """

    frame: int
    ellipses: NDArray[np.float64]
    depths_px: NDArray[np.float64]
    stage_probabilities: NDArray[np.float64]
    scores: NDArray[np.float64]
    outline_uncertainties: NDArray[np.float64]


@dataclass(frozen=True)
class ModelInfo:
    """Which network answered. name : of the weights;  sha256 : of their file"""

    name: str
    sha256: str


class FrameDetector(Protocol):
    """Anything that finds objects in frames.

    engine_name : the inference engine; together with the model it determines every answer to the bit
    detect : one answer for each frame, in their order, none depending on its neighbours; for no frames, none.
        It is called in a separate thread, one call at a time.
    """

    @property
    def model(self) -> ModelInfo: ...
    @property
    def engine_name(self) -> str: ...
    def detect(self, frames: Sequence[Frame], sector: Sector) -> list[Detections]: ...


class Detector:
    """A network on an engine, with the settings that say which of its answers count as detections."""

    def __init__(self, engine: Engine, settings: DetectSettings) -> None:
        self.engine_name = engine.name
        self.model = ModelInfo(engine.weights_name, engine.weights_sha256)
        self._engine = engine
        self._settings = settings

    def detect(self, frames: Sequence[Frame], sector: Sector) -> list[Detections]:
        """One answer for each frame, in their order; none depends on its neighbours."""
        if not frames:
            return []
        transform = InputTransform(sector)
        outputs = self._engine.run(transform.images_to_input([frame.grey for frame in frames]))
        detections = []
        for frame, output in zip(frames, outputs, strict=True):
            outlines = decode(
                output,
                minimum_score=self._settings.minimum_score,
                maximum_overlap=self._settings.same_object_iou,
            )
            ellipses = transform.ellipses_to_frame(outlines.ellipses)
            detections.append(
                Detections(
                    frame=frame.index,
                    ellipses=ellipses,
                    depths_px=sector.depth_px(ellipses[:, :2]),
                    stage_probabilities=outlines.stage_probabilities,
                    scores=outlines.scores,
                    outline_uncertainties=np.column_stack(
                        [transform.lengths_to_frame(outlines.centre_uncertainty_px), outlines.axis_uncertainty]
                    ),
                )
            )
        return detections


class InputTransform:
    """Maps between the source frame and the network's square input.

    The sector's box lies in the middle of the input. Its longer side fills the input, and the probe is at the top.
    """

    def __init__(self, sector: Sector) -> None:
        self._x0, self._y0, x1, y1 = sector.box
        self._box = np.s_[self._y0 : y1, self._x0 : x1]
        self._inside = np.where(sector.mask[self._box], np.uint8(255), np.uint8(0))
        self._upside_down, self._bottom = sector.upside_down, self._y0 + y1 - 1
        width, height = x1 - self._x0, y1 - self._y0
        self._scale = INPUT_SIDE_PX / max(width, height)
        self._size = max(1, round(width * self._scale)), max(1, round(height * self._scale))
        self._left, self._top = (INPUT_SIDE_PX - self._size[0]) // 2, (INPUT_SIDE_PX - self._size[1]) // 2
        self._place = np.s_[self._top : self._top + self._size[1], self._left : self._left + self._size[0]]

    def image_to_input(self, grey: NDArray[np.uint8]) -> NDArray[np.float32]:
        """(H, W) frame -> (S, S) float32 in [0, 1], black outside the sector."""
        return np.asarray(self.images_to_input([grey])[0, 0])

    def images_to_input(self, greys: Sequence[NDArray[np.uint8]]) -> NDArray[np.float32]:
        """B frames (H, W) -> (B, 1, S, S), as `image_to_input`."""
        pictures = np.zeros((len(greys), 1, INPUT_SIDE_PX, INPUT_SIDE_PX), np.float32)
        interpolation = cv2.INTER_AREA if self._scale < 1 else cv2.INTER_LINEAR
        for grey, picture in zip(greys, pictures[:, 0], strict=True):
            sector = np.asarray(cv2.bitwise_and(grey[self._box], self._inside))
            if self._upside_down:
                sector = sector[::-1]
            scaled = cv2.resize(sector, self._size, interpolation=interpolation)
            picture[self._place] = cv2.LUT(scaled, _SHARES_OF_WHITE)
        return pictures

    def ellipses_to_frame(self, ellipses: NDArray[np.float64]) -> NDArray[np.float64]:
        """(N, 5) in px of the input -> in px of the source frame."""
        result = ellipses.copy()
        # Pixel centres are whole numbers in both images, so what scaling keeps fixed is the outer edge of pixel 0.
        result[:, 0] = (ellipses[:, 0] - self._left + 0.5) / self._scale - 0.5 + self._x0
        result[:, 1] = (ellipses[:, 1] - self._top + 0.5) / self._scale - 0.5 + self._y0
        result[:, 2:4] = self.lengths_to_frame(ellipses[:, 2:4])
        return self._mirrored(result) if self._upside_down else result

    def ellipses_to_input(self, ellipses: NDArray[np.float64]) -> NDArray[np.float64]:
        """(N, 5) in px of the source frame -> in px of the input; the inverse of ellipses_to_frame."""
        result = self._mirrored(ellipses) if self._upside_down else ellipses.copy()
        result[:, 0] = (result[:, 0] - self._x0 + 0.5) * self._scale - 0.5 + self._left
        result[:, 1] = (result[:, 1] - self._y0 + 0.5) * self._scale - 0.5 + self._top
        result[:, 2:4] *= self._scale
        return result

    def lengths_to_frame(self, lengths: NDArray[np.float64]) -> NDArray[np.float64]:
        """Lengths in px of the input -> in px of the source frame."""
        return lengths / self._scale

    def _mirrored(self, ellipses: NDArray[np.float64]) -> NDArray[np.float64]:
        # (N, 5) in px of the source frame, top and bottom of the box exchanged. Degrees stay in [-90, 90).
        result = ellipses.copy()
        result[:, 1] = self._bottom - result[:, 1]
        result[:, 4] = (90.0 - result[:, 4]) % 180.0 - 90.0
        return result
