"""One object of a storage, open for reading: only the parts that are asked for travel, and no copy is kept."""

from __future__ import annotations

import io
from typing import Any, BinaryIO

from pipeline.locations.storage_errors import StorageError, as_storage_errors

__all__ = ["open_object", "raise_storage_failure"]

# Of one request, and kept in memory of each open object: enough that the way there and back hardly counts, and that a
# reader which goes to and fro between two or three places asks once for each (common practice, no source).
BLOCK_BYTES, BLOCKS = 2**22, 4
BUFFER_BYTES = 2**16  # from which small reads are served
EXACT_BUFFER_BYTES = 2**12


def open_object(storage: Any, path: str, address: str, *, exact: bool) -> io.BufferedReader:
    """The object at ``path`` of an fsspec file system. If it is replaced while it is open, reading fails, where the
    storage can tell.

    exact : what is read is asked for as it is, for a few bytes or for large parts in order; otherwise whole blocks
    Raises StorageError.
    """
    kept = {"cache_type": "none"} if exact else {"cache_type": "blockcache", "cache_options": {"maxblocks": BLOCKS}}
    with as_storage_errors(address):
        file = storage.open(path, "rb", block_size=BLOCK_BYTES, **kept)
    return io.BufferedReader(_ObjectFile(file, address), EXACT_BUFFER_BYTES if exact else BUFFER_BYTES)


def raise_storage_failure(file: BinaryIO) -> None:
    """Raises the StorageError that reading the file ended with, if any. Nothing happens for a file of this machine.

    For what reads by way of a library, which may take the error for the end of the data, or for damage.
    """
    raw = getattr(file, "raw", None)
    if isinstance(raw, _ObjectFile) and raw.failure is not None:
        raise raw.failure


class _ObjectFile(io.RawIOBase):
    """An open file of fsspec whose errors are those of `storage_errors`. name : its address;  failure : the last one"""

    def __init__(self, file: Any, address: str) -> None:
        self._file = file
        self.name = address
        self.failure: StorageError | None = None

    def readable(self) -> bool:
        return True

    def seekable(self) -> bool:
        return True

    def tell(self) -> int:
        return int(self._file.tell())

    def seek(self, offset: int, whence: int = io.SEEK_SET) -> int:
        with as_storage_errors(self.name):
            return int(self._file.seek(offset, whence))

    def readinto(self, buffer: Any) -> int:
        try:
            with as_storage_errors(self.name):
                data = self._file.read(len(buffer))
        except StorageError as error:
            self.failure = error
            raise
        buffer[: len(data)] = data
        return len(data)

    def close(self) -> None:
        if not self.closed:
            self._file.close()
        super().close()
