"""The identity of a recording, whatever its name: digests of its bytes and of its stored pictures."""

from __future__ import annotations

import hashlib
from collections.abc import Callable
from dataclasses import dataclass

from pipeline.ingest.file_types import is_dicom, is_still
from pipeline.ingest.frame import ClipError, unreadable
from pipeline.ingest.stills import list_stills
from pipeline.locations.file_state import FileState
from pipeline.locations.location import Location
from pipeline.locations.storage_errors import StorageError
from pipeline.settings_tables import IngestSettings

__all__ = ["RecordingIdentity", "file_sample", "file_sha256", "file_state", "pictures_sha256"]

READ_BYTES = 2**22  # at once for a digest (common practice, no source)
SAMPLE_BYTES = 4096  # read at the beginning, in the middle and at the end (common practice, no source)


@dataclass(frozen=True)
class RecordingIdentity:
    """state : as it was before anything was read;  sha256 : of the bytes, in hexadecimal

    first_picture_sha256 : of a video, the digest of its first coded picture, which is the same in any container; of
    other recordings, ``sha256`` again
    """

    state: FileState
    sha256: str
    first_picture_sha256: str


def pictures_sha256(path: Location, settings: IngestSettings, max_packets: int | None = None) -> str | None:
    """SHA-256 of the coded pictures of the video at ``path``; None if it is not a video or is damaged.

    Related containers (MP4, MOV, Matroska) hold the same bytes for the same pictures. MPEG streams and old AVI files
    store them differently, so the digest changes when such a video moves into another container.

    max_packets : only so many coded pictures are read; None for all

    Raises ClipError if its storage fails, which says nothing about the video.
    """
    from pipeline.ingest.video import open_video  # slow to import, and a night with nothing new needs none

    try:
        if path.is_dir() or is_still(path.name) or is_dicom(path):
            return None
        video = open_video(path, settings)
        try:
            return video.packets_sha256(max_packets)
        finally:
            video.close()
    except StorageError as error:
        raise unreadable(path.name, error) from error
    except (ClipError, OSError):
        return None


def file_state(path: Location) -> FileState:
    """Size and last change of a file; of a folder of stills, the total size and the latest change.

    Raises ClipError if it cannot be read.
    """
    try:
        stats = [path.stat(), *(still.stat() for still in (list_stills(path) if path.is_dir() else ()))]
    except OSError as error:
        raise unreadable(path.name, error) from error
    return FileState.of(stats)


def file_sha256(path: Location, progress: Callable[[int], None] = lambda steps: None) -> str:
    """SHA-256 of the file's bytes, in hexadecimal; of a folder of stills, of its files' digests in natural order.

    progress : called with 1 after each `READ_BYTES`

    Raises ClipError if it cannot be read.
    """
    digest = hashlib.sha256()
    try:
        if path.is_dir():
            digests = [bytes.fromhex(file_sha256(file, progress)) for file in list_stills(path)]
            return hashlib.sha256(b"".join(digests)).hexdigest()
        with path.open("rb", 0) as file:
            while data := file.read(READ_BYTES):
                digest.update(data)
                progress(1)
    except OSError as error:
        raise unreadable(path.name, error) from error
    return digest.hexdigest()


def file_sample(path: Location) -> str | None:
    """A digest of a few bytes of the file, hexadecimal: quick, and different for nearly every other recording.

    It shows that a file was replaced, not that a few bytes within it changed. None for a folder of stills, and where
    the file cannot be read.
    """
    try:
        if path.is_dir():
            return None
        digest = hashlib.blake2b(digest_size=16)
        with path.open("rb", 0) as file:
            size = file.seek(0, 2)
            for place in (0, size // 2, max(size - SAMPLE_BYTES, 0)):
                file.seek(place)
                digest.update(file.read(SAMPLE_BYTES))
    except OSError:
        return None
    return digest.hexdigest()
