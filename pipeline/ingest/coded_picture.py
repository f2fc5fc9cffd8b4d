"""What a coded picture (JPEG, JPEG-LS, JPEG 2000) says about its size, read without decoding it.

A decoder takes its memory and time by these numbers, not by those of the file around the picture. Where they cannot be
found by the rules of the format, a decoder that is more tolerant may still find some, so such a picture must not be
decoded.
"""

from __future__ import annotations

import re
import struct
from dataclasses import dataclass

__all__ = ["MAX_SCANS", "CodedPicture", "read_coded_picture"]

# A JPEG of libjpeg's own progression has 10. Each scan takes the time of decoding the whole picture (common practice,
# no source).
MAX_SCANS = 100

# Markers of a JPEG stream (ITU-T T.81, table B.1; ITU-T T.87 for JPEG-LS).
_START = b"\xff\xd8"
_END, _START_OF_SCAN = 0xD9, 0xDA
_SIZES = frozenset(range(0xC0, 0xD0)) - {0xC4, 0xC8, 0xCC} | {0xF7}
# A number of lines that comes later, and pictures of several sizes. No scanner writes them.
_OTHER_SIZES = frozenset({0xDC, 0xDE, 0xDF})
# A marker, after any fill bytes. Data that are no markers never have such bytes: T.81 puts a zero byte and T.87 a zero
# bit after 0xFF. Restart markers lie within the data.
_MARKER = re.compile(rb"\xff+[\x80-\xcf\xd8-\xfe]")
# A JPEG 2000 codestream begins with these and with its size (ITU-T T.800, table A.9).
_JPEG_2000_START, _JPEG_2000_BYTES = b"\xff\x4f\xff\x51", 42


@dataclass(frozen=True)
class CodedPicture:
    """rows, columns : in pixels;  samples : values of each pixel;  scans : how often a decoder goes over it"""

    rows: int
    columns: int
    samples: int
    scans: int


def read_coded_picture(data: bytes) -> CodedPicture | None:
    """What a JPEG, JPEG-LS or JPEG 2000 picture declares.

    None if it is none of them, or if it declares no size, more than one, or one that is hidden behind stray bytes.
    """
    if data.startswith(_JPEG_2000_START) and len(data) >= _JPEG_2000_BYTES:
        right, bottom, left, top, samples = struct.unpack(">4L16xH", data[8:_JPEG_2000_BYTES])
        return CodedPicture(bottom - top, right - left, samples, 1)
    return _read_jpeg(data) if data.startswith(_START) else None


def _read_jpeg(data: bytes) -> CodedPicture | None:
    size: tuple[int, int, int] | None = None
    position, scans = len(_START), 0
    while found := _MARKER.search(data, position):
        marker, body = found[0][-1], found.end()
        is_hidden = size is None and found.start() != position
        if marker == _END or is_hidden or body + 2 > len(data):
            break
        if marker in _OTHER_SIZES or (marker in _SIZES and (size is not None or body + 8 > len(data))):
            return None
        if marker in _SIZES:
            size = struct.unpack(">2HB", data[body + 3 : body + 8])
        scans += marker == _START_OF_SCAN
        position = body + int(struct.unpack(">H", data[body : body + 2])[0])
    return None if size is None else CodedPicture(*size, scans)
