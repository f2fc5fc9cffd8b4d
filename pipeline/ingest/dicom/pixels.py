"""The stored pixels of a DICOM file as brightness and chroma on a screen, one frame at a time."""

from __future__ import annotations

import warnings
from collections.abc import Callable, Iterator
from typing import Any, BinaryIO

import cv2
import numpy as np
from numpy.typing import NDArray

from pipeline.ingest.chroma import chroma_from_rgb, subsample
from pipeline.ingest.coded_picture import MAX_SCANS, read_coded_picture
from pipeline.ingest.dicom.fragments import Fragment, locate_frames
from pipeline.ingest.dicom.header import DicomHeader
from pipeline.ingest.dicom.palette import read_palette
from pipeline.ingest.display import BLACK_LEVEL, WHITE_LEVEL
from pipeline.ingest.frame import Chroma, StreamBrokenError

__all__ = ["check_picture_size", "read_pictures"]

Grey = NDArray[np.uint8]
StoredPixels = NDArray[Any]
DisplayedPixels = tuple[Grey, Chroma | None]
# From decoded pixels and their photometric interpretation to what a screen shows.
DisplayTransform = Callable[[StoredPixels, str], DisplayedPixels]

# RLE Lossless (PS3.5 annex G): the pictures have the size of the header.
SIZELESS_SYNTAXES = frozenset({"1.2.840.10008.1.2.5"})
# A compressed frame may take this many times the bytes of its pixels, plus some more. A larger one is damaged.
MAX_COMPRESSED_RATIO, SPARE_BYTES = 2, 65_536


def read_pictures(file: BinaryIO, header: DicomHeader) -> Iterator[DisplayedPixels]:
    """Brightness and chroma of the pictures in ``file``, fewer than the header declares if the file is cut short.

    Raises StreamBrokenError, DamagedFragmentsError, ValueError for a palette that is missing or cannot be read, and
    any exception of pydicom's decoders.
    """
    to_display = _display_transform(header)
    file.seek(header.pixel_data_offset)
    if header.is_compressed:
        frames = locate_frames(file, header.frames)[: header.frames]
        return _compressed_pictures(file, header, frames, to_display)
    return _native_pictures(file, header, to_display)


def check_picture_size(header: DicomHeader, rows: int, columns: int) -> None:
    """Raises StreamBrokenError unless a picture has the size that the header declares."""
    if (rows, columns) != (header.rows, header.columns):
        raise StreamBrokenError(
            f"the header declares pictures of {header.columns} x {header.rows} pixels, "
            f"but the picture there has {columns} x {rows}"
        )


def _native_pictures(file: BinaryIO, header: DicomHeader, to_display: DisplayTransform) -> Iterator[DisplayedPixels]:
    """Uncompressed pictures."""
    frame_bytes = header.stored_frame_bytes
    is_swapped = header.pixel_vr == "OW" and not header.transfer_syntax.is_little_endian
    frames = min(header.frames, header.pixel_data_bytes // frame_bytes)
    if is_swapped and header.bits_allocated == 8 and frame_bytes % 2 and frames > 1:
        # In 16-bit words, the bytes of such frames are interleaved with those of their neighbours (PS3.5 8.1.1).
        raise StreamBrokenError("its pictures have an odd number of bytes but are stored in 16-bit words")
    for index in range(frames):
        data = _read(file, header.pixel_data_offset + index * frame_bytes, frame_bytes)
        yield _decode(data + b"\0" * (frame_bytes % 2), header, to_display)


def _compressed_pictures(
    file: BinaryIO, header: DicomHeader, frames: list[list[Fragment]], to_display: DisplayTransform
) -> Iterator[DisplayedPixels]:
    """The pictures of the frames whose fragments are given.

    The size that a frame declares is compared with the header's before decoding, so that nothing larger is decoded.
    """
    from pydicom.encaps import encapsulate

    max_bytes = MAX_COMPRESSED_RATIO * header.decoded_frame_bytes + SPARE_BYTES
    for fragments in frames:
        if sum(fragment.length for fragment in fragments) > max_bytes:
            raise StreamBrokenError("a compressed picture there is larger than its pixels can be")
        data = b"".join(_read(file, fragment.start, fragment.length) for fragment in fragments)
        if header.transfer_syntax not in SIZELESS_SYNTAXES:
            _check_coded_picture(header, data)
        yield _decode(encapsulate([data], has_bot=False), header, to_display)


def _check_coded_picture(header: DicomHeader, data: bytes) -> None:
    """Raises StreamBrokenError unless the picture declares the size that the header declares."""
    coded = read_coded_picture(data)
    if coded is None:
        raise StreamBrokenError("the data there are damaged, or hide the size of the picture")
    check_picture_size(header, coded.rows, coded.columns)
    if coded.samples != header.samples_per_pixel or coded.scans > MAX_SCANS:
        raise StreamBrokenError(
            f"the compressed picture there has {coded.samples} values a pixel in {coded.scans} scans, which is not "
            "what the header declares, or more than a scanner writes"
        )


def _decode(data: bytes, header: DicomHeader, to_display: DisplayTransform) -> DisplayedPixels:
    from pydicom.pixels.decoders.base import get_decoder

    options = {**header.decoder_options, "number_of_frames": 1}
    with warnings.catch_warnings():
        # pydicom warns of oddities in data that can be decoded all the same.
        warnings.simplefilter("ignore")
        stored, properties = get_decoder(header.transfer_syntax).as_array(data, raw=True, **options)
    return to_display(stored, str(properties["photometric_interpretation"]))


def _read(file: BinaryIO, start: int, length: int) -> bytes:
    file.seek(start)
    return file.read(length)


def _display_transform(header: DicomHeader) -> DisplayTransform:
    """The conversion of decoded pixels and their photometric interpretation (PS3.3 C.7.6.3.1.2) to what a screen shows.

    The brightness of YBR pictures is the first plane, as in videos. A palette is converted to tables once. More than
    eight bits are shown through the header's first window (0028,1050), or else in full range.
    """
    bits_stored = header.bits_stored
    is_palette = header.photometric == "PALETTE COLOR"
    palette = read_palette(header.dataset, bits_stored) if is_palette else None
    black, white = _window(header)

    def to_display(stored: StoredPixels, photometric: str) -> DisplayedPixels:
        if palette is not None:
            return palette.apply(stored)
        if photometric in ("MONOCHROME1", "MONOCHROME2"):
            is_wide = bits_stored > 8 or header.signed
            grey = _stretched(stored, black, white) if is_wide else stored.astype(np.uint8)
            return np.ascontiguousarray(255 - grey if photometric == "MONOCHROME1" else grey), None
        eight_bits = np.ascontiguousarray(stored >> max(0, bits_stored - 8)).astype(np.uint8, copy=False)
        if photometric == "RGB":
            return np.asarray(cv2.cvtColor(eight_bits, cv2.COLOR_RGB2GRAY)), chroma_from_rgb(eight_bits)
        if photometric.startswith("YBR"):
            luma = np.ascontiguousarray(eight_bits[..., 0])
            grey = _stretched(luma, BLACK_LEVEL, WHITE_LEVEL) if "PARTIAL" in photometric else luma
            return grey, np.ascontiguousarray(subsample(eight_bits)[..., 1:])
        raise StreamBrokenError(f"its colours are stored as {photometric}, which is not supported")

    return to_display


def _window(header: DicomHeader) -> tuple[float, float]:
    """The stored values shown as black and as white."""
    centre, width = header.first_number("WindowCenter"), header.first_number("WindowWidth")
    slope, intercept = header.first_number("RescaleSlope"), header.first_number("RescaleIntercept")
    if centre is not None and width is not None and width > 1 and slope in (None, 1.0):
        # PS3.3 C.11.2.1.2.1
        middle, half_width = centre - 0.5 - (intercept or 0.0), (width - 1.0) / 2.0
        return middle - half_width, middle + half_width
    lowest = -(2.0 ** (header.bits_stored - 1)) if header.signed else 0.0
    return lowest, lowest + 2.0**header.bits_stored - 1.0


def _stretched(stored: StoredPixels, black: float, white: float) -> Grey:
    shown = (stored.astype(np.float32) - black) * (255.0 / (white - black))
    return np.asarray(np.clip(np.rint(shown), 0, 255), np.uint8)
