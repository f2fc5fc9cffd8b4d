"""A file that allows a limited number of reads, so that a header made to be endless ends."""

from __future__ import annotations

import io
from typing import BinaryIO

__all__ = ["DeflatedFileError", "HeaderReader"]

# A scanner's header has a few hundred elements, and each takes two to four reads.
MAX_READS = 200_000
MAX_READ_BYTES = 2**24


class DeflatedFileError(ValueError):
    """The file is deflated as a whole (PS3.5 section A.5), and it may inflate without limit."""


class HeaderReader(io.RawIOBase):
    """The same file at the same position, with a limit on reading.

    ``read`` raises DeflatedFileError when asked for all the rest, and ValueError when the header is endless.
    """

    def __init__(self, file: BinaryIO) -> None:
        self._file = file
        self._reads = 0
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
        self._reads += 1
        if size < 0:
            raise DeflatedFileError("a file that must be inflated as a whole")
        if self._reads > MAX_READS or size > MAX_READ_BYTES:
            raise ValueError(f"a header that takes more than {MAX_READS} reads, or one read of {size} bytes")
        return self._file.read(size)
