"""What goes wrong with a storage, as errors of the operating system with plain words, as for files on a disk."""

from __future__ import annotations

import errno
from collections.abc import Iterator
from contextlib import contextmanager

from models.printable import shortened

__all__ = ["MissingObjectError", "StorageError", "as_storage_errors"]


class StorageError(OSError):
    """A storage that does not give what it was asked for. It says nothing about the recording itself.

    strerror : why, as part of a sentence;  filename : the address
    """


class MissingObjectError(StorageError, FileNotFoundError):
    """There is nothing at the address."""


@contextmanager
def as_storage_errors(address: str) -> Iterator[None]:
    """Raises every error of the block as StorageError. Libraries have errors of their own for networks."""
    try:
        yield
    except StorageError:
        raise
    except FileNotFoundError as error:
        raise MissingObjectError(errno.ENOENT, "there is no such file or folder", address) from error
    except PermissionError as error:
        raise StorageError(errno.EACCES, "the storage denies access", address) from error
    except ImportError as error:
        what = f"{shortened(str(error)).rstrip('.')}; for S3: pip install 'clutchlight[objects]'"
        raise StorageError(errno.ENOPKG, what, address) from error
    except Exception as error:
        if isinstance(error, OSError) and error.errno == errno.EBUSY:  # s3fs.utils.FileExpired
            raise StorageError(errno.EBUSY, "it was replaced while it was read", address) from error
        what = shortened(" ".join(str(error).split()).rstrip(".")) or type(error).__name__
        raise StorageError(errno.EIO, f"the storage does not give it ({what})", address) from error
