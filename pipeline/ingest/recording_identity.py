"""What a recording is, whatever it is called: digests of its bytes and of its pictures as they are stored."""

from __future__ import annotations

import hashlib
from dataclasses import dataclass
from pathlib import Path

from pipeline.ingest.file_types import is_dicom, is_still
from pipeline.ingest.frame import ClipError
from pipeline.ingest.stills import list_stills
from pipeline.ingest.video import open_video
from pipeline.settings import IngestSettings

__all__ = ["FileState", "RecordingIdentity", "file_sha256", "file_state", "identify_recording", "pictures_sha256"]


@dataclass(frozen=True)
class FileState:
    """What changes while a recording is written: bytes, and the time of the last change in ns since 1970."""

    size_bytes: int
    modified_ns: int


@dataclass(frozen=True)
class RecordingIdentity:
    """state : before anything was read;  sha256 : of the bytes, in hexadecimal

    first_picture_sha256 : of a video's first coded picture, the same in whatever container it lies; of other recordings that
    of the bytes
    """

    state: FileState
    sha256: str
    first_picture_sha256: str


def identify_recording(path: Path, settings: IngestSettings) -> RecordingIdentity:
    """The identity of the recording at ``path``, a file or a folder of stills. Raises ClipError if it cannot be read.

    It is read once, and nothing is decoded.
    """
    state = file_state(path)
    sha256 = file_sha256(path)
    return RecordingIdentity(state, sha256, _of_pictures(path, settings, most=1) or sha256)


def pictures_sha256(path: Path, settings: IngestSettings) -> str | None:
    """SHA-256 of all coded pictures of the video at ``path``; None where it is none or damaged.

    Containers of one family (MP4, MOV, Matroska) hold the same bytes for the same pictures; where one stores them in
    another way (MPEG streams, old AVI), a changed container gives another digest.
    """
    return _of_pictures(path, settings, most=None)


def file_state(path: Path) -> FileState:
    """Size and last change of a file; of a folder of stills, their sum and the latest. Raises ClipError."""
    try:
        facts = [path.stat(), *(still.stat() for still in (list_stills(path) if path.is_dir() else ()))]
    except OSError as error:
        raise _unreadable(path, error) from error
    return FileState(sum(fact.st_size for fact in facts), max(fact.st_mtime_ns for fact in facts))


def file_sha256(path: Path) -> str:
    """SHA-256 of the file's bytes, in hexadecimal; of a folder of stills, of its files' digests in natural order.

    Raises ClipError if it cannot be read.
    """
    if path.is_dir():
        digests = [bytes.fromhex(file_sha256(file)) for file in list_stills(path)]
        return hashlib.sha256(b"".join(digests)).hexdigest()
    try:
        with path.open("rb") as file:
            return hashlib.file_digest(file, "sha256").hexdigest()
    except OSError as error:
        raise _unreadable(path, error) from error


def _unreadable(path: Path, error: OSError) -> ClipError:
    return ClipError(
        f"{path.name}: cannot be read: {error.strerror or error}; see who may read it, and on what disk it lies."
    )


def _of_pictures(path: Path, settings: IngestSettings, most: int | None) -> str | None:
    if path.is_dir() or is_still(path.name) or is_dicom(path):
        return None
    try:
        video = open_video(path, settings)
    except (ClipError, OSError):
        return None
    try:
        return video.packets_sha256(most)
    finally:
        video.close()
