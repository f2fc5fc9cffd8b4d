"""Compressed pixel data as a DICOM file stores them: frames in fragments (PS3.5 section A.4).

The positions of the fragments are read first, by skipping from one to the next. Their bytes are read only on demand.

`pydicom.encaps` reads such data too and agrees on intact files (a test compares the two). It is not used for reading
here, because it is not safe on hostile files: it sets no limit on the number of fragments or on the size of the offset
table, accepts a last fragment that is cut short, and loads all fragments of a frame before their size can be checked.
"""

from __future__ import annotations

import io
import struct
from bisect import bisect_right
from collections.abc import Iterator
from itertools import accumulate
from typing import Any, BinaryIO, NamedTuple

__all__ = ["DamagedFragmentsError", "Fragment", "FragmentStream", "locate_frames"]

ITEM_TAG, SEQUENCE_END_TAG = b"\xfe\xff\x00\xe0", b"\xfe\xff\xdd\xe0"
ITEM_HEAD_BYTES = 8  # the tag and the length of an item
MAX_FRAGMENTS = 1_000_000
OFFSET_BYTES = 4  # of one entry of the Basic Offset Table
# Of a JPEG or JPEG 2000 stream (ITU-T T.81, table B.1; ITU-T T.800, table A.2).
END_OF_IMAGE = b"\xff\xd9"
# The end marker lies in so many last bytes of a frame, before any padding; as in pydicom.encaps.
END_BYTES = 10


class DamagedFragmentsError(ValueError):
    """The stored frames cannot be separated."""


class Fragment(NamedTuple):
    """start : position in the file of its first byte of data;  length : bytes"""

    start: int
    length: int


def locate_frames(file: BinaryIO, frames: int) -> list[list[Fragment]]:
    """The fragments of each frame. The pixel data begin with their offset table, at the file's position.

    frames : the number that the header declares. The result may have fewer where the file is cut short.
    Raises DamagedFragmentsError.
    """
    offsets, fragments = _read_items(file)
    if not fragments:
        return []
    if len(fragments) == frames:
        return [[fragment] for fragment in fragments]
    if frames == 1:
        return [fragments]
    if len(offsets) > 1:
        return _split_by_offsets(fragments, offsets)
    if len(fragments) < frames:
        return [[fragment] for fragment in fragments]
    return _split_by_end_markers(file, fragments)


def _read_items(file: BinaryIO) -> tuple[list[int], list[Fragment]]:
    """The Basic Offset Table and the complete fragments after it."""
    position = file.tell()
    end = file.seek(0, io.SEEK_END)
    offsets: list[int] | None = None
    fragments: list[Fragment] = []
    while position + ITEM_HEAD_BYTES <= end:
        file.seek(position)
        head = file.read(ITEM_HEAD_BYTES)
        (length,) = struct.unpack("<L", head[4:])
        if head[:4] != ITEM_TAG or position + ITEM_HEAD_BYTES + length > end:
            if head[:4] not in (ITEM_TAG, SEQUENCE_END_TAG):
                raise DamagedFragmentsError("the compressed pictures are not where they should be")
            break
        if offsets is None:
            if length > OFFSET_BYTES * MAX_FRAGMENTS:
                raise DamagedFragmentsError(f"its table of pictures has more than {MAX_FRAGMENTS} entries")
            table = file.read(length - length % OFFSET_BYTES)
            offsets = list(struct.unpack(f"<{len(table) // OFFSET_BYTES}L", table))
        else:
            fragments.append(Fragment(position + ITEM_HEAD_BYTES, length))
        if len(fragments) > MAX_FRAGMENTS:
            raise DamagedFragmentsError(f"its pictures are stored in more than {MAX_FRAGMENTS} fragments")
        position += ITEM_HEAD_BYTES + length
    return offsets or [], fragments


def _split_by_offsets(fragments: list[Fragment], offsets: list[int]) -> list[list[Fragment]]:
    """Each offset leads from the head of the first fragment to the head of a frame's first fragment."""
    origin = fragments[0].start
    frame_starts = {origin + offset for offset in offsets}
    frames: list[list[Fragment]] = []
    for fragment in fragments:
        if fragment.start in frame_starts or not frames:
            frames.append([])
        frames[-1].append(fragment)
    return frames


def _split_by_end_markers(file: BinaryIO, fragments: list[Fragment]) -> list[list[Fragment]]:
    """Without a table, a frame ends where its last bytes hold the end marker, before a padding of one byte."""
    frames: list[list[Fragment]] = []
    has_ended = True
    for fragment in fragments:
        if has_ended:
            frames.append([])
        frames[-1].append(fragment)
        tail_bytes = min(fragment.length, END_BYTES)
        file.seek(fragment.start + fragment.length - tail_bytes)
        has_ended = END_OF_IMAGE in file.read(tail_bytes)
    return frames


class FragmentStream(io.RawIOBase):
    """Fragments joined into one file that can be read and seeked, without holding it in memory."""

    def __init__(self, file: BinaryIO, fragments: list[Fragment]) -> None:
        self._file = file
        self._fragments = fragments
        self._starts = [0, *accumulate(fragment.length for fragment in fragments)]
        self._length = self._starts.pop()
        self._position = 0

    def readable(self) -> bool:
        return True

    def seekable(self) -> bool:
        return True

    def tell(self) -> int:
        return self._position

    def seek(self, offset: int, whence: int = io.SEEK_SET) -> int:
        base = {io.SEEK_SET: 0, io.SEEK_CUR: self._position, io.SEEK_END: self._length}[whence]
        self._position = max(0, base + offset)
        return self._position

    def readinto(self, buffer: Any) -> int:
        data = b"".join(self._parts(len(buffer)))
        buffer[: len(data)] = data
        return len(data)

    def _parts(self, wanted: int) -> Iterator[bytes]:
        """The next ``wanted`` bytes, in one part for each fragment; the position moves along."""
        number = bisect_right(self._starts, self._position) - 1
        while wanted > 0 and 0 <= number < len(self._fragments):
            fragment = self._fragments[number]
            offset = self._position - self._starts[number]
            self._file.seek(fragment.start + offset)
            part = self._file.read(max(0, min(wanted, fragment.length - offset)))
            self._position += len(part)
            wanted -= len(part)
            number += 1
            yield part
