"""Which files are recordings: judged by the suffix, and for DICOM files without one by the first bytes."""

from __future__ import annotations

from pathlib import PurePath

from pipeline.locations.location import Location
from pipeline.locations.storage_errors import StorageError

__all__ = ["STILL_SUFFIXES", "VIDEO_SUFFIXES", "is_dicom", "is_recording", "is_still", "unsupported_reason"]

VIDEO_SUFFIXES = frozenset(
    {".3gp", ".asf", ".avi", ".flv", ".gif", ".m2ts", ".m2v", ".m4v", ".mkv", ".mov", ".mp4", ".mpe", ".mpeg", ".mpg"}
    | {".mts", ".ogv", ".ts", ".vob", ".webm", ".wmv"}
)
STILL_SUFFIXES = frozenset({".bmp", ".jpeg", ".jpg", ".png", ".tif", ".tiff", ".webp"})
DICOM_SUFFIXES = frozenset({".dcm", ".dicom"})
# Files that may hold recordings but cannot be read here. They are reported with what to do, because recordings that
# are skipped silently would be lost.
UNSUPPORTED_SUFFIXES = {
    **dict.fromkeys((".7z", ".gz", ".rar", ".tar", ".zip"), "a packed archive; unpack it in this folder"),
    **dict.fromkeys((".heic", ".heif"), "a picture in a phone's own format; export it as JPEG or PNG"),
}
# The table of contents that is with the recordings on a disc (PS3.10 section 8.6).
DICOMDIR_NAME = "DICOMDIR"
# A DICOM file begins with a preamble of 128 bytes and these four (PS3.10 section 7.1).
DICOM_PREAMBLE_BYTES, DICOM_PREFIX = 128, b"DICM"


def is_recording(path: Location) -> bool:
    """True for DICOM files, and by their names for videos, still pictures and files that may hold recordings."""
    by_name = is_still(path.name) or path.suffix.lower() in VIDEO_SUFFIXES or unsupported_reason(path.name) is not None
    return by_name or is_dicom(path)


def unsupported_reason(name: str) -> str | None:
    """For a file that cannot be read here: what it is and what to do with it. None for all others."""
    return UNSUPPORTED_SUFFIXES.get(PurePath(name).suffix.lower())


def is_still(name: str) -> bool:
    """True for names of still pictures. A still is a clip of one frame."""
    stem, dot, ending = name.rpartition(".")  # not PurePath, which takes most of the time in a folder of 100,000
    return bool(stem) and f"{dot}{ending}".lower() in STILL_SUFFIXES


def is_dicom(path: Location) -> bool:
    """True for files with a DICOM suffix or with DICOM's first bytes; scanners often write no suffix.

    False where the file cannot be read, and for the table of contents of a disc. Raises StorageError where a storage
    fails, or a recording would be missing without a word.
    """
    if path.suffix.lower() in DICOM_SUFFIXES:
        return True
    if path.name.upper() == DICOMDIR_NAME:
        return False
    try:
        # Opening a named pipe would wait forever.
        if not path.is_file():
            return False
        with path.open("rb", 0) as file:
            head = file.read(DICOM_PREAMBLE_BYTES + len(DICOM_PREFIX))
            return head[DICOM_PREAMBLE_BYTES:] == DICOM_PREFIX
    except StorageError:
        raise
    except OSError:
        return False
