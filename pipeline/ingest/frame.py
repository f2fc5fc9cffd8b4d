"""One decoded picture, and the error of a recording that cannot be used."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from models.errors import ClutchlightError

__all__ = ["CHROMA_STEP", "Chroma", "ClipError", "Frame", "Picture", "StreamBrokenError"]

# (ceil(H / 4), ceil(W / 4), 2) uint8: the colour differences Cb and Cr (ITU-R BT.601), 128 where there is no colour,
# of every fourth pixel of every fourth row.
Chroma = NDArray[np.uint8]
CHROMA_STEP = 4


class ClipError(ClutchlightError):
    """A recording that cannot be read or trusted; the text is the reason a technician reads."""


class StreamBrokenError(Exception):
    """The rest of a stream cannot be decoded; the text says why, in a technician's words, without a full stop."""


@dataclass(frozen=True)
class Picture:
    """time_s : of presentation, None where there is none;  grey : (H, W) uint8

    chroma : None of a picture in greys alone
    """

    time_s: float | None
    grey: NDArray[np.uint8]
    chroma: Chroma | None = None


@dataclass(frozen=True)
class Frame:
    """index : from 0 in decoding order;  time_s : of presentation, None for stills;  grey : (H, W) uint8

    chroma : None of a frame in greys alone
    """

    index: int
    time_s: float | None
    grey: NDArray[np.uint8]
    chroma: Chroma | None = None
