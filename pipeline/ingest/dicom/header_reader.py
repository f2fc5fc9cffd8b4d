"""A file that lets only so many pieces be read, so that a header made to be endless ends."""

from __future__ import annotations

import io
from typing import BinaryIO

__all__ = ["DeflatedFileError", "HeaderReader"]

# A scanner's header has a few hundred elements and takes two to four pieces for each.
MAX_READS = 200_000
MAX_READ_BYTES = 2**24


class DeflatedFileError(ValueError):
    """The file is packed as a whole (PS3.5 section A.5), and what it would unpack to may be endless."""


class HeaderReader(io.RawIOBase):
    """The same file and position, seen through a counter.

    Reading raises DeflatedFileError where all the rest is asked for, and ValueError where the header is endless.
    """

    def __init__(self, file: BinaryIO) -> None:
        self._file = file
        self._pieces = 0
        self.name = ""
        self._file.seek(0)

    def readable(self) -> bool:
        return True

    def seekable(self) -> bool:
        return True

    def tell(self) -> int:
        return self._file.tell()

    def seek(self, offset: int, whence: int = io.SEEK_SET) -> int:
        return self._file.seek(offset, whence)

    def read(self, size: int = -1) -> bytes:
        self._pieces += 1
        if size < 0:
            raise DeflatedFileError("a file that must be unpacked as a whole")
        if self._pieces > MAX_READS or size > MAX_READ_BYTES:
            raise ValueError(f"a header of more than {MAX_READS} pieces, or one of {size} bytes")
        return self._file.read(size)
