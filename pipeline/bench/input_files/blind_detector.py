"""A detector that sees nothing: what remains of a scan is the reading of the clip."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from pipeline.detect.detector import Detections, ModelInfo
from pipeline.ingest.frame import Frame
from pipeline.ingest.sector.sector import Sector

__all__ = ["BlindDetector"]


class BlindDetector:
    model = ModelInfo("blind", "")
    engine_name = "none"

    def detect(self, frames: Sequence[Frame], sector: Sector) -> list[Detections]:
        none = np.zeros(0)
        return [Detections(f.index, np.zeros((0, 5)), none, np.zeros((0, 3)), none, np.zeros((0, 2))) for f in frames]
