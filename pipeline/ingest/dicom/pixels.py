"""Stored pixels of a DICOM file to brightness and colours as a screen shows them, one frame at a time."""

from __future__ import annotations

import warnings
from collections.abc import Callable, Iterator
from typing import TYPE_CHECKING, Any, BinaryIO

import cv2
import numpy as np
from numpy.typing import NDArray

from pipeline.ingest.chroma import chroma_from_rgb, subsample
from pipeline.ingest.dicom.fragments import Fragments, encoded_size
from pipeline.ingest.dicom.palette import read_palette
from pipeline.ingest.frame import Chroma, StreamBrokenError

if TYPE_CHECKING:
    from pydicom.dataset import Dataset
    from pydicom.pixels.decoders.base import Decoder

__all__ = ["compressed_pictures", "display_transform", "native_pictures"]

Grey = NDArray[np.uint8]
StoredPixels = NDArray[Any]
DisplayedPixels = tuple[Grey, Chroma | None]
DisplayTransform = Callable[[StoredPixels, str], DisplayedPixels]

# A compressed frame larger than its pixels, this many times and some bytes, is no frame.
MAX_COMPRESSED_RATIO, SPARE_BYTES = 2, 65_536


def native_pictures(
    file: BinaryIO, frame_bytes: int, frames: int, decoder: Decoder, options: dict[str, Any], rule: DisplayTransform
) -> Iterator[DisplayedPixels]:
    """The pictures that begin at the file's position, of ``frame_bytes`` each."""
    begin = file.tell()
    swapped = options.get("pixel_vr") == "OW" and not options["transfer_syntax_uid"].is_little_endian
    if swapped and options["bits_allocated"] == 8 and frame_bytes % 2 and frames > 1:
        # In words, the bytes of such frames are interleaved with those of their neighbours (PS3.5 section 8.1.1).
        raise StreamBrokenError("its pictures are stored in words that they do not fill")
    for index in range(frames):
        data = _read(file, begin + index * frame_bytes, frame_bytes)
        yield _decoded(data + b"\0" * (frame_bytes % 2), decoder, options, rule)


def compressed_pictures(
    file: BinaryIO, frames: list[Fragments], decoder: Decoder, options: dict[str, Any], rule: DisplayTransform
) -> Iterator[DisplayedPixels]:
    """The pictures of the frames whose fragments are given.

    A frame's own size is compared with the header's before it is decoded, so that nothing larger is.
    Raises StreamBrokenError.
    """
    from pydicom.encaps import encapsulate

    rows, columns = options["rows"], options["columns"]
    pixel_bytes = rows * columns * options["samples_per_pixel"] * -(-options["bits_allocated"] // 8)
    for fragments in frames:
        if sum(length for _, length in fragments) > MAX_COMPRESSED_RATIO * pixel_bytes + SPARE_BYTES:
            raise StreamBrokenError("a compressed picture there is larger than its pixels can be")
        data = b"".join(_read(file, *fragment) for fragment in fragments)
        size = encoded_size(data)
        if size is not None and size != (rows, columns):
            raise StreamBrokenError(
                f"the header tells of pictures of {columns} x {rows} pixels, "
                f"but the picture there has {size[1]} x {size[0]}"
            )
        yield _decoded(encapsulate([data], has_bot=False), decoder, options, rule)


def _decoded(data: bytes, decoder: Decoder, options: dict[str, Any], rule: DisplayTransform) -> DisplayedPixels:
    with warnings.catch_warnings():
        # Of what is odd in the data but can be decoded.
        warnings.simplefilter("ignore")
        stored, properties = decoder.as_array(data, raw=True, **{**options, "number_of_frames": 1})
    return rule(stored, str(properties["photometric_interpretation"]))


def _read(file: BinaryIO, place: int, length: int) -> bytes:
    file.seek(place)
    return file.read(length)


def display_transform(dataset: Dataset, photometric: str, bits_stored: int, signed: bool) -> DisplayTransform:
    """What turns decoded pixels and their photometric interpretation (PS3.3 C.7.6.3.1.2) to brightness and colours.

    Of YBR pictures brightness is the first plane, as of videos. A palette is turned to tables once.
    More than eight bits are shown through the first window (0028,1050) of the header or else in full range.
    Raises ValueError for a palette that is missing or cannot be read.
    """
    palette = read_palette(dataset, bits_stored) if photometric == "PALETTE COLOR" else None
    window = _window(dataset, bits_stored, signed)

    def shown(stored: StoredPixels, photometric: str) -> DisplayedPixels:
        if palette is not None:
            return palette.apply(stored)
        if photometric in ("MONOCHROME1", "MONOCHROME2"):
            grey = _stretched(stored, *window) if bits_stored > 8 or signed else stored.astype(np.uint8)
            return np.ascontiguousarray(255 - grey if photometric == "MONOCHROME1" else grey), None
        eight = np.ascontiguousarray(stored >> max(0, bits_stored - 8)).astype(np.uint8, copy=False)
        if photometric == "RGB":
            return np.asarray(cv2.cvtColor(eight, cv2.COLOR_RGB2GRAY)), chroma_from_rgb(eight)
        if photometric.startswith("YBR"):
            luma = np.ascontiguousarray(eight[..., 0])
            grey = _stretched(luma, 16.0, 235.0) if "PARTIAL" in photometric else luma
            return grey, np.ascontiguousarray(subsample(eight)[..., 1:])
        raise StreamBrokenError(f"its colours are stored as {photometric}, which is not known here")

    return shown


def _window(dataset: Dataset, bits_stored: int, signed: bool) -> tuple[float, float]:
    """The stored values shown as black and as white."""
    centre, width = _first(dataset.get("WindowCenter")), _first(dataset.get("WindowWidth"))
    slope = _first(dataset.get("RescaleSlope"))
    intercept = _first(dataset.get("RescaleIntercept"))
    if centre is not None and width is not None and width > 1 and slope in (None, 1.0):
        # PS3.3 C.11.2.1.2.1
        middle, half = centre - 0.5 - (intercept or 0.0), (width - 1.0) / 2.0
        return middle - half, middle + half
    lowest = -(2.0 ** (bits_stored - 1)) if signed else 0.0
    return lowest, lowest + 2.0**bits_stored - 1.0


def _stretched(stored: StoredPixels, black: float, white: float) -> Grey:
    shown = (stored.astype(np.float32) - black) * (255.0 / (white - black))
    return np.asarray(np.clip(np.rint(shown), 0, 255), np.uint8)


def _first(value: Any) -> float | None:
    try:
        return None if value in (None, "") else float(value if isinstance(value, str | int | float) else value[0])
    except (TypeError, ValueError, IndexError):
        return None
