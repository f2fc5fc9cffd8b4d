"""What shows that a file has changed, without reading it."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Protocol

__all__ = ["FileStat", "FileState", "etag_of"]


class FileStat(Protocol):
    """What is known of a file that is not opened, as in `os.stat_result`."""

    @property
    def st_size(self) -> int: ...
    @property
    def st_mtime_ns(self) -> int: ...


@dataclass(frozen=True)
class FileState:
    """What changes while a recording is being written.

    size_bytes : of the file;  modified_ns : time of the last change, ns since 1970
    etag : of object storage, different if the content is; "" where there is none
    """

    size_bytes: int
    modified_ns: int
    etag: str = ""

    @classmethod
    def of(cls, stats: Sequence[FileStat]) -> FileState:
        """Of one file, or of several together: their total size, the latest change, and all tags."""
        etags = " ".join(filter(None, map(etag_of, stats)))
        return cls(sum(stat.st_size for stat in stats), max(stat.st_mtime_ns for stat in stats), etags)


def etag_of(stat: FileStat) -> str:
    """What is different if the content is; "" where that is not known, as on disks."""
    return str(getattr(stat, "etag", ""))
