"""A copy of the finished pages and files on object storage, for readers elsewhere.

Everything that was written since the last complete copy began is copied. Only clocks of this machine are compared, and
nothing is asked of the storage. Databases, what people said, logs and copies stay here: nothing is ever read back.
"""

from __future__ import annotations

import json
import os
import time
from collections.abc import Iterator
from pathlib import Path

from pydantic import TypeAdapter, ValidationError

from models.errors import ClutchlightError
from pipeline.locations.object_path import ObjectPath
from pipeline.locations.storage_errors import StorageError
from pipeline.store.atomic_write import write_atomically
from pipeline.store.dated_copies import copies_folder

__all__ = ["UploadError", "upload", "uploads_path"]

_UPLOADS = TypeAdapter(dict[str, int])

# Of files that readers open. Everything else in the folder is the program's own.
SUFFIXES = frozenset({".html", ".js", ".pdf", ".json", ".csv", ".parquet", ".txt", ".dcm", ".jpg"})
PRIVATE_FILES = frozenset({"database.json", "uploads.json"})
# A file may bear a time that is a little before the moment at which it was written: times of files are those of the
# system clock's last tick, and of some file systems of two seconds (common practice, no source).
TIME_MARGIN_NS = 5_000_000_000


class UploadError(ClutchlightError):
    """A file that cannot be copied. What was copied before stays there."""


def uploads_path(out: Path) -> Path:
    """When the last complete copy to each address began, ns since 1970."""
    return out / "uploads.json"


def upload(out: Path, to: ObjectPath, *, everything: bool = False) -> int:
    """Copy what is new in an output folder, and return how many files that were.

    everything : also what was copied before, such as after somebody deleted it there

    Raises UploadError, and OutputError if it cannot be noted that the copy is complete. Then the next one begins where
    the last complete one did.
    """
    begun, earlier = time.time_ns(), _read_uploads(out)
    since = 0 if everything else earlier.get(str(to), 0) - TIME_MARGIN_NS
    copied = 0
    for path in _files_for_readers(out):
        target = to / path.relative_to(out).as_posix()
        try:
            if path.stat().st_mtime_ns >= since:
                target.write_from(path)
                copied += 1
        except StorageError as error:
            raise UploadError(f"{target}: cannot be written: {error.strerror}. Run it again to go on.") from error
        except FileNotFoundError:
            continue  # a run has just removed it
        except OSError as error:
            raise UploadError(
                f"{path}: cannot be read: {error.strerror}. Check its permissions and its disk."
            ) from error
    noted = json.dumps({**earlier, str(to): begun}, indent=1)
    write_atomically(uploads_path(out), [noted.encode() + b"\n"])
    return copied


def _files_for_readers(out: Path) -> Iterator[Path]:
    """Files of exams before the pages over them, so that no page there leads to one that is not there."""
    for name, _, files in os.walk(out, topdown=False):
        folder = Path(name)
        parts = folder.relative_to(out).parts
        if any(part.startswith(".") for part in parts) or folder.is_relative_to(copies_folder(out)):
            continue
        for file in sorted(files):
            path = folder / file
            if path.suffix in SUFFIXES and file not in PRIVATE_FILES and file[0] != "." and not path.is_symlink():
                yield path


def _read_uploads(out: Path) -> dict[str, int]:
    """Empty if there was none, or if it is damaged: then everything is copied."""
    try:
        return _UPLOADS.validate_json(uploads_path(out).read_bytes())
    except (OSError, ValidationError):
        return {}
