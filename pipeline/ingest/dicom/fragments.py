"""Pixel data as a DICOM file stores them compressed: frames in fragments, PS3.5 section A.4.

Where the fragments lie is read first, by skipping from one to the next; their bytes are read when asked for.
"""

from __future__ import annotations

import io
import struct
from bisect import bisect_right
from collections.abc import Iterator
from itertools import accumulate
from typing import BinaryIO

__all__ = ["DamagedFragmentsError", "FragmentStream", "Fragments", "encoded_size", "locate_frames"]

Fragments = list[tuple[int, int]]
"""Place in the file and length of each, bytes."""

ITEM_TAG, SEQUENCE_END_TAG = b"\xfe\xff\x00\xe0", b"\xfe\xff\xdd\xe0"
MAX_FRAGMENTS = 1_000_000
# Marks of a JPEG stream (ITU-T T.81, table B.1) and of a JPEG 2000 codestream (ITU-T T.800, table A.2).
SIZE_MARKERS = frozenset(range(0xC0, 0xD0)) - {0xC4, 0xC8, 0xCC} | {0xF7}
JPEG_2000 = b"\xff\x4f\xff\x51"
END_OF_IMAGE = b"\xff\xd9"


class DamagedFragmentsError(ValueError):
    """The stored frames cannot be told apart."""


def locate_frames(file: BinaryIO, frames: int) -> list[Fragments]:
    """The fragments of each frame, of the pixel data that begin at the file's position with their offset table.

    frames : how many the header tells of;  the answer may have fewer where the file is cut short
    Raises DamagedFragmentsError.
    """
    offsets, items = _items(file)
    if not items:
        return []
    if len(items) == frames:
        return [[item] for item in items]
    if frames == 1:
        return [items]
    if len(offsets) > 1:
        return _by_offsets(items, offsets)
    if len(items) < frames:
        return [[item] for item in items]
    return _by_marks(file, items)


def _items(file: BinaryIO) -> tuple[list[int], Fragments]:
    """The Basic Offset Table and the whole fragments after it."""
    here = file.tell()
    end = file.seek(0, io.SEEK_END)
    offsets: list[int] | None = None
    items: Fragments = []
    while here + 8 <= end:
        file.seek(here)
        head = file.read(8)
        (length,) = struct.unpack("<L", head[4:])
        if head[:4] != ITEM_TAG or here + 8 + length > end:
            if head[:4] not in (ITEM_TAG, SEQUENCE_END_TAG):
                raise DamagedFragmentsError("the compressed pictures are not where they should be")
            break
        if offsets is None:
            table = file.read(length - length % 4)
            offsets = list(struct.unpack(f"<{len(table) // 4}L", table))
        else:
            items.append((here + 8, length))
        if len(items) > MAX_FRAGMENTS:
            raise DamagedFragmentsError(f"its pictures lie in more than {MAX_FRAGMENTS} pieces")
        here += 8 + length
    return offsets or [], items


def _by_offsets(items: Fragments, offsets: list[int]) -> list[Fragments]:
    """Offsets count from the first fragment's head to that of each frame's first fragment."""
    begin = items[0][0] - 8
    starts = {begin + offset for offset in offsets}
    frames: list[Fragments] = []
    for place, length in items:
        if place - 8 in starts or not frames:
            frames.append([])
        frames[-1].append((place, length))
    return frames


def _by_marks(file: BinaryIO, items: Fragments) -> list[Fragments]:
    """Without a table a frame ends where its last bytes say so, before a padding of one byte."""
    frames: list[Fragments] = []
    ended = True
    for place, length in items:
        if ended:
            frames.append([])
        frames[-1].append((place, length))
        file.seek(place + max(0, length - 10))
        ended = END_OF_IMAGE in file.read(min(length, 10))
    return frames


def encoded_size(data: bytes) -> tuple[int, int] | None:
    """Rows and columns that a JPEG or JPEG 2000 frame declares itself; None where it does not begin as one."""
    if data[:4] == JPEG_2000 and len(data) >= 24:
        right, bottom, left, top = struct.unpack(">4L", data[8:24])
        return bottom - top, right - left
    if data[:2] != b"\xff\xd8":
        return None
    place = 2
    while place + 9 <= len(data) and data[place] == 0xFF:
        mark = data[place + 1]
        if mark == 0xFF:  # fill
            place += 1
        elif mark in SIZE_MARKERS:
            rows, columns = struct.unpack(">2H", data[place + 5 : place + 9])
            return rows, columns
        else:
            place += 2 + int(struct.unpack(">H", data[place + 2 : place + 4])[0])
    return None


class FragmentStream(io.RawIOBase):
    """Fragments joined to one file that can be read and searched, without holding it in memory."""

    def __init__(self, file: BinaryIO, fragments: Fragments) -> None:
        self._file = file
        self._fragments = fragments
        self._starts = [0, *accumulate(length for _, length in fragments)]
        self._length = self._starts.pop()
        self._here = 0

    def readable(self) -> bool:
        return True

    def seekable(self) -> bool:
        return True

    def tell(self) -> int:
        return self._here

    def seek(self, offset: int, whence: int = io.SEEK_SET) -> int:
        base = {io.SEEK_SET: 0, io.SEEK_CUR: self._here, io.SEEK_END: self._length}[whence]
        self._here = max(0, base + offset)
        return self._here

    def read(self, size: int = -1) -> bytes:
        wanted = self._length - self._here if size < 0 else size
        return b"".join(self._parts(wanted))

    def _parts(self, wanted: int) -> Iterator[bytes]:
        number = bisect_right(self._starts, self._here) - 1
        while wanted > 0 and 0 <= number < len(self._fragments):
            place, length = self._fragments[number]
            within = self._here - self._starts[number]
            self._file.seek(place + within)
            part = self._file.read(max(0, min(wanted, length - within)))
            self._here += len(part)
            wanted -= len(part)
            number += 1
            yield part
