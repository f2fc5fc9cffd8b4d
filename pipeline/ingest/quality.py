"""Whether a frame is of use, told from a sixteenth of its pixels so that it costs next to nothing."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from pipeline.ingest.sector import Sector
from pipeline.settings import IngestSettings

__all__ = ["FrameQuality", "judge_frame"]

STEP_PX = 4


@dataclass(frozen=True)
class FrameQuality:
    """usable : fit for detection;  cause : why not, None if it is

    repeated : shows what the frame before showed (a frozen screen, or a recording faster than the scanner);
    such a frame counts as usable, and the answer for the frame before holds for it.
    """

    usable: bool
    cause: Literal["too dark", "saturated"] | None
    repeated: bool


def judge_frame(
    grey: NDArray[np.uint8],
    sector: Sector,
    previous: NDArray[np.uint8] | None,
    settings: IngestSettings,
) -> FrameQuality:
    """Judgement of ``grey`` (H, W) by its sector alone; ``previous`` is the frame before it, or None.

    What lies outside the sector does not count: a clock runs on while the picture is frozen.
    """
    seen = sector.mask[::STEP_PX, ::STEP_PX]
    echoes = grey[::STEP_PX, ::STEP_PX][seen].astype(np.int16)
    if echoes.size == 0 or echoes.mean() < settings.dark_below:
        cause: Literal["too dark", "saturated"] | None = "too dark"
    elif np.mean(echoes >= 254) > settings.saturated_share_above:
        cause = "saturated"
    else:
        cause = None
    repeated = False
    if previous is not None and echoes.size:
        change = np.abs(echoes - previous[::STEP_PX, ::STEP_PX][seen]).mean()
        repeated = bool(change < settings.repeated_below)
    return FrameQuality(cause is None, cause, repeated)
