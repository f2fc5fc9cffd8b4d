"""A detector that finds nothing, so that a scan consists of reading the clip."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from pipeline.detect.detector import Detections, ModelInfo
from pipeline.ingest.frame import Frame
from pipeline.ingest.sector.sector import Sector

__all__ = ["BlindDetector"]


class BlindDetector:
    """Returns no detections for any frame."""

    model = ModelInfo("blind", "")
    engine_name = "none"

    def detect(self, frames: Sequence[Frame], sector: Sector) -> list[Detections]:
        return [
            Detections(
                frame=frame.index,
                ellipses=np.zeros((0, 5)),
                depths_px=np.zeros(0),
                stage_probabilities=np.zeros((0, 3)),
                scores=np.zeros(0),
                outline_uncertainties=np.zeros((0, 2)),
            )
            for frame in frames
        ]
