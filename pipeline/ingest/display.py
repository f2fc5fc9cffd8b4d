"""A decoded picture as a player shows it: full range, deinterlaced, with square pixels, upright.

A player converts range, fields, pixel shape and rotation. The same is done here. Otherwise one scene would have
different brightness and size in different files, and a scale measured on a player's screen would not fit.
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

# Formats whose first plane is brightness alone: in eight bits, and in the number of bits that the name ends with.
# For all other formats brightness is computed from red, green and blue.
SUBSAMPLINGS = ("410", "411", "420", "422", "440", "444")
EIGHT_BIT_FORMATS = frozenset(
    {"gray", "nv12", "nv21", "nv16"}
    | {f"yuv{j}{sub}p" for j in ("", "j") for sub in SUBSAMPLINGS}
    | {f"yuva{sub}p" for sub in SUBSAMPLINGS}
)
HIGH_BIT_DEPTH_FORMATS = {
    f"{family}{bits}le": bits
    for family in ("gray", *(f"yuv{a}{sub}p" for a in ("", "a") for sub in SUBSAMPLINGS))
    for bits in (9, 10, 12, 14, 16)
}
# Formats that store the values of a pixel next to each other: the number of values, the slice that gives red, green
# and blue, and OpenCV's code for the conversion to brightness.
PACKED_FORMATS = {
    "rgb24": (3, slice(0, 3), cv2.COLOR_RGB2GRAY),
    "bgr24": (3, slice(2, None, -1), cv2.COLOR_BGR2GRAY),
    **dict.fromkeys(("rgba", "rgb0"), (4, slice(0, 3), cv2.COLOR_RGBA2GRAY)),
    **dict.fromkeys(("bgra", "bgr0"), (4, slice(2, None, -1), cv2.COLOR_BGRA2GRAY)),
}

# In steps of 255: a codec's rounding may give a grey so much colour. No intended tint is as weak.
CHROMA_TOLERANCE = 2

# One side of a pixel over the other. A larger ratio is an error in the header: no scanner or recorder has it.
MAX_PIXEL_ASPECT = 4


def to_display(picture: Any, aspect: Fraction | None) -> tuple[NDArray[np.uint8], Chroma | None]:
    """(H, W) uint8 brightness of a decoded frame, in memory of its own, and its chroma.

    The rows are kept and the columns are resized, as players do, so that a depth counted in rows does not change.

    picture : an `av.VideoFrame`;  aspect : width over height of a pixel, None if unknown
    """
    grey, chroma = _as_stored(picture)
    if picture.interlaced_frame:
        deinterlace(grey)
    width = display_width(grey.shape[1], aspect)
    if width != grey.shape[1]:
        grey = resize_width(grey, width)
        chroma = None if chroma is None else resize_width(chroma, sample_count(width))
    quarter_turns = round(picture.rotation / 90) % 4
    if quarter_turns:
        grey = np.ascontiguousarray(np.rot90(grey, quarter_turns))
        chroma = None if chroma is None else np.ascontiguousarray(np.rot90(chroma, quarter_turns))
    return grey, chroma


def resize_width(pixels: NDArray[np.uint8], width: int) -> NDArray[np.uint8]:
    """The (H, W, ...) picture with ``width`` columns."""
    interpolation = cv2.INTER_AREA if width < pixels.shape[1] else cv2.INTER_LINEAR
    return np.asarray(cv2.resize(pixels, (width, pixels.shape[0]), interpolation=interpolation), np.uint8)


def display_width(width_px: int, aspect: Fraction | None) -> int:
    """Width in px once the pixels are square. An impossible aspect counts as unknown."""
    if not aspect or not 1 / MAX_PIXEL_ASPECT <= aspect <= MAX_PIXEL_ASPECT:
        return width_px
    return max(1, round(width_px * aspect))


def deinterlace(grey: NDArray[np.uint8]) -> None:
    """Clips the second field, the odd lines of ``grey`` (H, W), to the range of the lines above and below; in place.

    The two fields of an interlaced picture are half a frame apart in time, so moving edges show a comb. A value
    between those of its neighbours is not part of a comb and stays, so still parts keep their detail; taking one field
    alone would halve it. This is the median of three lines (common practice, no source).
    """
    above = grey[0::2][: grey.shape[0] // 2]
    below = grey[2::2]
    if len(below) < len(above):  # there is no line below the last one
        below = np.concatenate([below, above[-1:]])
    second = grey[1::2]
    np.clip(second, np.minimum(above, below), np.maximum(above, below), out=second)


def _as_stored(picture: Any) -> tuple[NDArray[np.uint8], Chroma | None]:
    """Brightness in full range, and chroma, in the stored size and orientation."""
    name = picture.format.name
    bits = 8 if name in EIGHT_BIT_FORMATS else HIGH_BIT_DEPTH_FORMATS.get(name)
    planes, height, width = picture.planes, picture.height, picture.width
    # Pictures stored upside down have rows that run backwards in memory.
    is_top_down = planes[0].line_size > 0
    if name in PACKED_FORMATS and is_top_down:
        values, rgb_order, to_grey = PACKED_FORMATS[name]
        packed = _plane_values(planes[0], 8)[:height, : values * width].reshape(height, width, values)
        return np.asarray(cv2.cvtColor(packed, to_grey)), chroma_from_rgb(packed[..., rgb_order])
    if bits is None or not is_top_down:
        rgb = picture.to_ndarray(format="rgb24")
        return np.asarray(cv2.cvtColor(rgb, cv2.COLOR_RGB2GRAY)), chroma_from_rgb(rgb)
    has_no_chroma = name.startswith("gray")
    full_range = picture.color_range == FULL_RANGE or name.startswith("yuvj")
    full_range = full_range or (has_no_chroma and picture.color_range != LIMITED_RANGE)
    luma = _plane_values(planes[0], bits)[:height, :width]
    if bits == 8:
        grey = luma.copy() if full_range else _to_full_range(luma)
    else:
        # Raw streams may hold values above what their bits allow.
        grey = np.take(_eight_bit_table(bits, full_range=full_range), luma, mode="clip")
    return grey, None if has_no_chroma else _read_chroma(picture, planes, bits)


def _plane_values(plane: Any, bits: int) -> NDArray[Any]:
    """(rows, values) of one plane, including the padding to the right of the picture."""
    values = np.frombuffer(plane, np.uint8 if bits == 8 else "<u2")
    return values.reshape(-1, plane.line_size // values.itemsize)


def _read_chroma(picture: Any, planes: Sequence[Any], bits: int) -> Chroma | None:
    """Cb and Cr of a picture that stores them in two planes, or in one plane alternately; None if it is all grey.

    Most pictures are grey, and comparing the extremes first takes half the time.
    """
    pixel_format = picture.format
    if pixel_format.name.startswith("nv"):
        interleaved = _plane_values(planes[1], bits)
        differences = [interleaved[:, 0::2], interleaved[:, 1::2]]
        if pixel_format.name == "nv21":
            differences.reverse()
    else:
        differences = [_plane_values(plane, bits) for plane in planes[1:3]]
    if all(_is_colourless(difference, bits) for difference in differences):
        return None
    across = round(picture.width / pixel_format.chroma_width(picture.width))
    down = round(picture.height / pixel_format.chroma_height(picture.height))
    height, width = sample_count(picture.height), sample_count(picture.width)
    # Filled plane by plane: stacking strided slices takes ten times as long.
    chroma = np.empty((height, width, len(differences)), np.uint8)
    for channel, difference in enumerate(differences):
        coarse = difference[:: CHROMA_STEP // down, :: CHROMA_STEP // across][:height, :width]
        chroma[..., channel] = coarse if bits == 8 else np.minimum(coarse >> (bits - 8), 255)
    return chroma


def _is_colourless(plane: NDArray[Any], bits: int) -> bool:
    """Whether all colour differences are zero, up to a codec's rounding. The padding counts too, which does no harm."""
    if not plane.flags.c_contiguous:
        return False
    lowest, highest, _, _ = cv2.minMaxLoc(plane)
    neutral = 1 << (bits - 1)
    return bool(max(neutral - lowest, highest - neutral) <= CHROMA_TOLERANCE << (bits - 8))


def _to_full_range(luma: NDArray[np.uint8]) -> NDArray[np.uint8]:
    """The same result as ``_eight_bit_table`` in a fifth of the time. OpenCV clips to 0 to 255."""
    step = 255.0 / (WHITE_LEVEL - BLACK_LEVEL)
    return np.asarray(cv2.transform(luma, np.array([[step, -BLACK_LEVEL * step]])), np.uint8)


@cache
def _eight_bit_table(bits: int, *, full_range: bool) -> NDArray[np.uint8]:
    """(2**bits,) grey level of every stored value.

    In limited range, brightness runs from 16 to 235 in eight bits, and from as many times that in more bits (ITU-R
    BT.601 and BT.2100). A player shows this from black to white. The same is done here, so that thresholds mean the
    same in every file.
    """
    stored = np.arange(2**bits, dtype=np.float64)
    step = 2.0 ** (bits - 8)
    if full_range:
        grey = stored * 255.0 / (2**bits - 1)
    else:
        grey = (stored / step - BLACK_LEVEL) * 255.0 / (WHITE_LEVEL - BLACK_LEVEL)
    return np.asarray(np.clip(np.rint(grey), 0, 255), np.uint8)
