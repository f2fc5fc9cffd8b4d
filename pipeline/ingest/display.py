"""A decoded picture as a player shows it: in full range, without combs, square pixels, upright.

What a player does to colours, fields, pixels and turns must be done here too, or the same scene would mean
something else in every file, and a scale read off a player's screen would not fit.
"""

from __future__ import annotations

from collections.abc import Sequence
from fractions import Fraction
from functools import cache
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from pipeline.ingest.chroma import chroma_from_rgb, sample_count
from pipeline.ingest.frame import CHROMA_STEP, Chroma

__all__ = ["deinterlace", "display_width", "resize_width", "to_display"]

LIMITED_RANGE, FULL_RANGE = 1, 2  # AVCOL_RANGE_MPEG and AVCOL_RANGE_JPEG
BLACK_LEVEL, WHITE_LEVEL = 16, 235  # of limited range in eight bits (ITU-R BT.601)

# Formats whose first plane is brightness alone, in as many bits as the end of the name tells, or eight; from all
# others brightness is computed from red, green and blue.
SUBSAMPLINGS = ("410", "411", "420", "422", "440", "444")
EIGHT_BIT_FORMATS = frozenset(
    {"gray", "nv12", "nv21", "nv16"}
    | {f"yuv{j}{sub}p" for j in ("", "j") for sub in SUBSAMPLINGS}
    | {f"yuva{sub}p" for sub in SUBSAMPLINGS}
)
# Formats of pixels that lie side by side: values of each, where red, green and blue stand among them, and OpenCV's
# name for the way from there to brightness.
PACKED_FORMATS = {
    "rgb24": (3, slice(0, 3), cv2.COLOR_RGB2GRAY),
    "bgr24": (3, slice(2, None, -1), cv2.COLOR_BGR2GRAY),
    **dict.fromkeys(("rgba", "rgb0"), (4, slice(0, 3), cv2.COLOR_RGBA2GRAY)),
    **dict.fromkeys(("bgra", "bgr0"), (4, slice(2, None, -1), cv2.COLOR_BGRA2GRAY)),
}
HIGH_BIT_DEPTH_FORMATS = {
    f"{family}{bits}le": bits
    for family in ("gray", *(f"yuv{a}{sub}p" for a in ("", "a") for sub in SUBSAMPLINGS))
    for bits in (9, 10, 12, 14, 16)
}

# Steps of 255 by which a coder's rounding may colour a grey; no tint that is meant is as faint.
CHROMA_TOLERANCE = 2

# Pixels further from square than this are a slip of the header: no scanner's or recorder's are.
MAX_PIXEL_ASPECT = 4


def to_display(picture: Any, aspect: Fraction | None) -> tuple[NDArray[np.uint8], Chroma | None]:
    """(H, W) uint8 of a decoded frame, owning its memory, and its colours.

    aspect : width over height of a pixel, None if not told.  The rows are kept and the columns are made to fit, as
    players do, so that a depth counted in rows is the same as before.
    """
    grey, colours = _stored(picture)
    if picture.interlaced_frame:
        deinterlace(grey)
    width = display_width(grey.shape[1], aspect)
    if width != grey.shape[1]:
        grey, colours = (
            resize_width(grey, width),
            None if colours is None else resize_width(colours, sample_count(width)),
        )
    turns = round(picture.rotation / 90) % 4
    if turns:
        grey = np.ascontiguousarray(np.rot90(grey, turns))
        colours = None if colours is None else np.ascontiguousarray(np.rot90(colours, turns))
    return grey, colours


def resize_width(pixels: NDArray[np.uint8], width: int) -> NDArray[np.uint8]:
    """The same (H, W, ...) picture with its columns made to fit."""
    way = cv2.INTER_AREA if width < pixels.shape[1] else cv2.INTER_LINEAR
    return np.asarray(cv2.resize(pixels, (width, pixels.shape[0]), interpolation=way), np.uint8)


def display_width(width_px: int, aspect: Fraction | None) -> int:
    """Width in px once the pixels are square. An aspect that no machine has counts as not told."""
    if not aspect or not 1 / MAX_PIXEL_ASPECT <= aspect <= MAX_PIXEL_ASPECT:
        return width_px
    return max(1, round(width_px * aspect))


def deinterlace(grey: NDArray[np.uint8]) -> None:
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


def _stored(picture: Any) -> tuple[NDArray[np.uint8], Chroma | None]:
    """Brightness in full range, and colours, as they lie in the file."""
    name = picture.format.name
    bits = 8 if name in EIGHT_BIT_FORMATS else HIGH_BIT_DEPTH_FORMATS.get(name)
    planes, height, width = picture.planes, picture.height, picture.width
    # Pictures stored upside down have rows that run backwards in memory.
    upright = planes[0].line_size > 0
    if name in PACKED_FORMATS and upright:
        values, order, way = PACKED_FORMATS[name]
        packed = _values(planes[0], 8)[:height, : values * width].reshape(height, width, values)
        return np.asarray(cv2.cvtColor(packed, way)), chroma_from_rgb(packed[..., order])
    if bits is None or not upright:
        rgb = picture.to_ndarray(format="rgb24")
        return np.asarray(cv2.cvtColor(rgb, cv2.COLOR_RGB2GRAY)), chroma_from_rgb(rgb)
    grey_alone = name.startswith("gray")
    full = picture.color_range == FULL_RANGE or name.startswith("yuvj")
    full = full or (grey_alone and picture.color_range != LIMITED_RANGE)
    luma = _values(planes[0], bits)[:height, :width]
    if bits == 8:
        grey = luma.copy() if full else _in_full_range(luma)
    else:
        # Raw streams may hold more than their bits allow.
        grey = np.take(_to_eight_bits(bits, full=full), luma, mode="clip")
    return grey, None if grey_alone else _differences(picture, planes, bits)


def _values(plane: Any, bits: int) -> NDArray[Any]:
    """(rows, values) of one plane with whatever lies beyond the right edge."""
    values = np.frombuffer(plane, np.uint8 if bits == 8 else "<u2")
    return values.reshape(-1, plane.line_size // values.itemsize)


def _differences(picture: Any, planes: Sequence[Any], bits: int) -> Chroma | None:
    """The colour differences of a picture that stores them in planes of their own, or in one by turns; None of one in
    greys alone, as most are, which a look at the extremes tells in half the time.
    """
    stored = picture.format
    if stored.name.startswith("nv"):
        both = _values(planes[1], bits)
        differences = [both[:, 0::2], both[:, 1::2]]
        if stored.name == "nv21":
            differences.reverse()
    else:
        differences = [_values(plane, bits) for plane in planes[1:3]]
    if all(_is_colourless(each, bits) for each in differences):
        return None
    across = round(picture.width / stored.chroma_width(picture.width))
    down = round(picture.height / stored.chroma_height(picture.height))
    height, width = sample_count(picture.height), sample_count(picture.width)
    # Filled plane by plane: stacking slices with gaps takes ten times as long.
    colours = np.empty((height, width, len(differences)), np.uint8)
    for number, each in enumerate(differences):
        coarse = each[:: CHROMA_STEP // down, :: CHROMA_STEP // across][:height, :width]
        colours[..., number] = coarse if bits == 8 else np.minimum(coarse >> (bits - 8), 255)
    return colours


def _is_colourless(plane: NDArray[Any], bits: int) -> bool:
    """Whether all differences are none but for a coder's rounding. What lies beyond the edge counts, and harms not."""
    if not plane.flags.c_contiguous:
        return False
    least, most, _, _ = cv2.minMaxLoc(plane)
    half = 1 << (bits - 1)
    return bool(max(half - least, most - half) <= CHROMA_TOLERANCE << (bits - 8))


def _in_full_range(luma: NDArray[np.uint8]) -> NDArray[np.uint8]:
    """The same as the table below gives, in a fifth of its time: OpenCV cuts off what lies beyond either end."""
    step = 255.0 / (WHITE_LEVEL - BLACK_LEVEL)
    return np.asarray(cv2.transform(luma, np.array([[step, -BLACK_LEVEL * step]])), np.uint8)


@cache
def _to_eight_bits(bits: int, *, full: bool) -> NDArray[np.uint8]:
    """(2**bits,) grey level of every stored value.

    Television's brightness runs from 16 to 235 in eight bits and from as many times that in more (ITU-R BT.601 and
    BT.2100); a player shows it from black to white, and so must we, for thresholds to mean the same in every file.
    """
    stored = np.arange(2**bits, dtype=np.float64)
    step = 2.0 ** (bits - 8)
    grey = (
        stored * 255.0 / (2**bits - 1) if full else (stored / step - BLACK_LEVEL) * 255.0 / (WHITE_LEVEL - BLACK_LEVEL)
    )
    return np.clip(np.rint(grey), 0, 255).astype(np.uint8)
