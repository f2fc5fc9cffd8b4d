"""A decoded picture as a player shows it: grey, full range, without combs, square pixels, upright.

What a player does to colours, fields, pixels and turns must be done here too, or the same scene would mean
something else in every file, and a scale read off a player's screen would not fit.
"""

from __future__ import annotations

from fractions import Fraction
from functools import cache
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

__all__ = ["as_shown", "shown_width", "without_combs"]

LIMITED_RANGE, FULL_RANGE = 1, 2  # AVCOL_RANGE_MPEG and AVCOL_RANGE_JPEG

# Formats whose first plane is brightness alone, in as many bits as the end of the name tells, or eight; from all
# others brightness is computed by way of RGB.
SUBSAMPLINGS = ("410", "411", "420", "422", "440", "444")
EIGHT_BITS = frozenset(
    {"gray", "nv12", "nv21", "nv16"}
    | {f"yuv{j}{sub}p" for j in ("", "j") for sub in SUBSAMPLINGS}
    | {f"yuva{sub}p" for sub in SUBSAMPLINGS}
)
MORE_BITS = {
    f"{family}{bits}le": bits
    for family in ("gray", *(f"yuv{a}{sub}p" for a in ("", "a") for sub in SUBSAMPLINGS))
    for bits in (9, 10, 12, 14, 16)
}

# Pixels further from square than this are a slip of the header: no scanner's or recorder's are.
FURTHEST_FROM_SQUARE = 4


def as_shown(picture: Any, aspect: Fraction | None) -> NDArray[np.uint8]:
    """(H, W) uint8 of a decoded frame, owning its memory.

    aspect : width over height of a pixel, None if not told.  The rows are kept and the columns are made to fit, as
    players do, so that a depth counted in rows is the same as before.
    """
    grey = _brightness(picture)
    if picture.interlaced_frame:
        without_combs(grey)
    width = shown_width(grey.shape[1], aspect)
    if width != grey.shape[1]:
        shape = (width, grey.shape[0])
        way = cv2.INTER_AREA if width < grey.shape[1] else cv2.INTER_LINEAR
        grey = np.asarray(cv2.resize(grey, shape, interpolation=way), dtype=np.uint8)
    turns = round(picture.rotation / 90) % 4
    return np.ascontiguousarray(np.rot90(grey, turns)).astype(np.uint8, copy=False)


def shown_width(width_px: int, aspect: Fraction | None) -> int:
    """Width in px once the pixels are square. An aspect that no machine has counts as not told."""
    if not aspect or not 1 / FURTHEST_FROM_SQUARE <= aspect <= FURTHEST_FROM_SQUARE:
        return width_px
    return max(1, round(width_px * aspect))


def without_combs(grey: NDArray[np.uint8]) -> None:
    """Brings the lines of the second field, the odd ones of ``grey`` (H, W), between those above and below; in place.

    The two fields of an interlaced picture are half a frame apart in time, so that whatever moves has combs at its
    edges. A value between those of its neighbours is no comb and stays, so what stands still keeps its detail, which
    taking one field alone would halve (the median of three lines; common practice, no source).
    """
    above = grey[0::2][: grey.shape[0] // 2]
    below = grey[2::2]
    if len(below) < len(above):  # the last line has none below it
        below = np.concatenate([below, above[-1:]])
    second = grey[1::2]
    np.clip(second, np.minimum(above, below), np.maximum(above, below), out=second)


def _brightness(picture: Any) -> NDArray[np.uint8]:
    name = picture.format.name
    bits = 8 if name in EIGHT_BITS else MORE_BITS.get(name)
    # Pictures stored upside down have rows that run backwards in memory.
    if bits is None or picture.planes[0].line_size < 0:
        return np.asarray(cv2.cvtColor(picture.to_ndarray(format="rgb24"), cv2.COLOR_RGB2GRAY))
    plane = picture.planes[0]
    values = np.frombuffer(plane, np.uint8 if bits == 8 else "<u2")
    rows = values.reshape(-1, plane.line_size // values.itemsize)
    luma = rows[: picture.height, : picture.width]
    grey_alone = name.startswith("gray") and picture.color_range != LIMITED_RANGE
    full = picture.color_range == FULL_RANGE or grey_alone or name.startswith("yuvj")
    if bits == 8:
        return luma.copy() if full else np.asarray(cv2.LUT(luma, _to_eight_bits(8, full=False)))
    # Raw streams may hold more than their bits allow.
    return np.take(_to_eight_bits(bits, full=full), luma, mode="clip")


@cache
def _to_eight_bits(bits: int, *, full: bool) -> NDArray[np.uint8]:
    """(2**bits,) grey level of every stored value.

    Television's brightness runs from 16 to 235 in eight bits and from as many times that in more (ITU-R BT.601 and
    BT.2100); a player shows it from black to white, and so must we, for thresholds to mean the same in every file.
    """
    stored = np.arange(2**bits, dtype=np.float64)
    step = 2.0 ** (bits - 8)
    grey = stored * 255.0 / (2**bits - 1) if full else (stored / step - 16.0) * 255.0 / 219.0
    return np.clip(np.rint(grey), 0, 255).astype(np.uint8)
