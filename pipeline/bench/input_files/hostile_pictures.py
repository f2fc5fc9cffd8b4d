"""Coded pictures that were made to exhaust a decoder: a JPEG with another size or many scans, a GIF, a TIFF."""

from __future__ import annotations

import io
import struct
import zlib
from functools import cache

import numpy as np

__all__ = [
    "flat_jpeg",
    "gif_of_tiny_frames",
    "jpeg_with_scans",
    "jpeg_with_second_size",
    "png_that_declares",
    "small_jpeg",
    "tiff_of_shared_pages",
    "with_jpeg_size",
]

_SIDE = 64
_SIZE_MARKERS = (b"\xff\xc0", b"\xff\xc2")  # baseline and progressive
_SCAN_MARKER, _END = b"\xff\xda", b"\xff\xd9"


@cache
def small_jpeg() -> bytes:
    """Noise of 64 x 64 px."""
    return _jpeg(np.random.default_rng(0).integers(0, 256, (_SIDE, _SIDE), np.uint8))


@cache
def flat_jpeg(side: int) -> bytes:
    """One grey over side x side px, in progressive scans: small, and as slow to decode as any."""
    return _jpeg(np.full((side, side), 90, np.uint8), progressive=True)


def _jpeg(grey: np.ndarray, *, progressive: bool = False) -> bytes:
    from PIL import Image

    file = io.BytesIO()
    Image.fromarray(grey).save(file, "JPEG", quality=90, progressive=progressive)
    return file.getvalue()


def with_jpeg_size(jpeg: bytes, rows: int, columns: int) -> bytes:
    """The same data under another declared size."""
    start = _size_segment(jpeg)
    return jpeg[: start + 5] + struct.pack(">2H", rows, columns) + jpeg[start + 9 :]


def jpeg_with_second_size(jpeg: bytes, rows: int, columns: int) -> bytes:
    """With a second size segment after the first."""
    start = _size_segment(jpeg)
    end = start + 2 + int(struct.unpack(">H", jpeg[start + 2 : start + 4])[0])
    return jpeg[:end] + with_jpeg_size(jpeg, rows, columns)[start:end] + jpeg[end:]


def jpeg_with_scans(jpeg: bytes, scans: int) -> bytes:
    """A progressive JPEG whose last scan is there so many more times."""
    last = jpeg[jpeg.rindex(_SCAN_MARKER) : jpeg.rindex(_END)]
    return jpeg[: jpeg.rindex(_END)] + last * scans + _END


def _size_segment(jpeg: bytes) -> int:
    return min(jpeg.index(marker) for marker in _SIZE_MARKERS if marker in jpeg)


def gif_of_tiny_frames(side: int, frames: int) -> bytes:
    """A screen of side x side px, drawn again for each frame, of which a frame changes one pixel (GIF89a)."""
    palette = bytes(value for grey in range(256) for value in (grey, grey, grey))
    screen = b"GIF89a" + struct.pack("<HHBBB", side, side, 0xF7, 0, 0) + palette
    control = b"\x21\xf9\x04\x04\x04\0\0\0"
    # Codes of nine bits: clear, the grey level 90, end.
    codes = (256 | 90 << 9 | 257 << 18).to_bytes(4, "little")
    pixel = b"\x2c" + struct.pack("<HHHHB", 0, 0, 1, 1, 0) + b"\x08" + bytes([len(codes)]) + codes + b"\0"
    return screen + (control + pixel) * frames + b"\x3b"


def png_that_declares(side: int, comment_bytes: int = 0) -> bytes:
    """A grey picture of side x side px whose data are missing, with a packed comment of that length."""

    def chunk(kind: bytes, data: bytes) -> bytes:
        return struct.pack(">I", len(data)) + kind + data + struct.pack(">I", zlib.crc32(kind + data))

    head = chunk(b"IHDR", struct.pack(">IIBBBBB", side, side, 8, 0, 0, 0, 0))
    comment = chunk(b"zTXt", b"Comment\0\0" + zlib.compress(bytes(comment_bytes), 9)) if comment_bytes else b""
    return b"\x89PNG\r\n\x1a\n" + head + comment + chunk(b"IDAT", zlib.compress(bytes(1000))) + chunk(b"IEND", b"")


def tiff_of_shared_pages(side: int, pages: int, *, endless: bool = False) -> bytes:
    """Pages of side x side px that share their packed data (TIFF 6.0). endless : the last page leads to the first"""
    data = zlib.compress(bytes(side * side), 9)
    first = 8 + len(data) + len(data) % 2
    tags = {256: side, 257: side, 258: 8, 259: 8, 262: 1, 273: 8, 277: 1, 278: side, 279: len(data)}
    page_bytes = 2 + 12 * len(tags) + 4
    content = b"II*\0" + struct.pack("<I", first) + data + b"\0" * (len(data) % 2)
    for page in range(pages):
        after = first + (page + 1) * page_bytes if page + 1 < pages else first if endless else 0
        entries = b"".join(struct.pack("<HHII", tag, 4, 1, value) for tag, value in tags.items())
        content += struct.pack("<H", len(tags)) + entries + struct.pack("<I", after)
    return content
