"""One decoded picture, and the error of a recording that cannot be used."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from models.errors import ClutchlightError

__all__ = ["ClipError", "Frame", "Picture", "StreamBrokenError"]

# Time of presentation in s, None where there is none, and (H, W) uint8.
Picture = tuple[float | None, NDArray[np.uint8]]


class ClipError(ClutchlightError):
    """A recording that cannot be read or trusted; the text is the reason a technician reads."""


class StreamBrokenError(Exception):
    """The rest of a stream cannot be decoded; the text says why, in a technician's words, without a full stop."""


@dataclass(frozen=True)
class Frame:
    """index : from 0 in decoding order;  time_s : of presentation, None for stills;  grey : (H, W) uint8."""

    index: int
    time_s: float | None
    grey: NDArray[np.uint8]
