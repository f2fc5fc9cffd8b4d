"""One decoded picture, and the errors of a recording that cannot be used."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from models.errors import ClutchlightError
from pipeline.locations.storage_errors import StorageError

__all__ = ["CHROMA_STEP", "Box", "Chroma", "ClipError", "Frame", "Picture", "StreamBrokenError", "unreadable"]

# (ceil(H / 4), ceil(W / 4), 2) uint8: the colour differences Cb and Cr (ITU-R BT.601) of every fourth pixel of every
# fourth row; 128 is colourless.
Chroma = NDArray[np.uint8]
CHROMA_STEP = 4

# x0, y0, x1, y1 in px, x to the right, y down, half-open: x0 <= x < x1 and y0 <= y < y1.
Box = tuple[int, int, int, int]


class ClipError(ClutchlightError):
    """A recording that cannot be read or trusted. The text is the reason that a technician reads."""


def unreadable(name: str, error: OSError) -> ClipError:
    """What is wrong with a recording that cannot be reached."""
    reason = error.strerror or str(error)
    if isinstance(error, StorageError):
        return ClipError(f"{name}: cannot be read: {reason}; the next run tries again.")
    return ClipError(f"{name}: cannot be read: {reason}; check its permissions and its disk.")


class StreamBrokenError(Exception):
    """The rest of a stream cannot be decoded. The text says why, for a technician, without a full stop."""


@dataclass(frozen=True)
class Picture:
    """A decoded picture that has no number yet.

    time_s : presentation time, None where there is none;  grey : (H, W) uint8
    chroma : None if the picture has no colour
    """

    time_s: float | None
    grey: NDArray[np.uint8]
    chroma: Chroma | None = None


@dataclass(frozen=True)
class Frame:
    """A picture with its number in the clip.

    index : from 0, in decoding order;  time_s : presentation time, None for stills;  grey : (H, W) uint8
    chroma : None if the frame has no colour
    """

    index: int
    time_s: float | None
    grey: NDArray[np.uint8]
    chroma: Chroma | None = None
