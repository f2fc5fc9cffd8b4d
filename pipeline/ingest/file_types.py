"""Which files are recordings, judged by their names' endings, and DICOM files without one by their first bytes."""

from __future__ import annotations

from pathlib import Path, PurePath

__all__ = ["STILL_SUFFIXES", "VIDEO_SUFFIXES", "is_dicom", "is_recording", "is_still", "unsupported_reason"]

VIDEO_SUFFIXES = frozenset(
    {".3gp", ".asf", ".avi", ".flv", ".gif", ".m2ts", ".m2v", ".m4v", ".mkv", ".mov", ".mp4", ".mpe", ".mpeg", ".mpg"}
    | {".mts", ".ogv", ".ts", ".vob", ".webm", ".wmv"}
)
STILL_SUFFIXES = frozenset({".bmp", ".jpeg", ".jpg", ".png", ".tif", ".tiff", ".webp"})
DICOM_SUFFIXES = frozenset({".dcm", ".dicom"})
# What may hold recordings and cannot be read here; passed over in silence, they would be lost. Each with what to do.
UNSUPPORTED_SUFFIXES = {
    **dict.fromkeys((".7z", ".gz", ".rar", ".tar", ".zip"), "a packed archive; unpack it in this folder"),
    **dict.fromkeys((".heic", ".heif"), "a picture in a telephone's own format; export it as JPEG or PNG"),
}
# The table of contents that lies beside the recordings on a disc (PS3.10 section 8.6).
DICOMDIR_NAME = "DICOMDIR"


def is_recording(path: Path) -> bool:
    """True for videos, still pictures and what may hold some by their names, and for DICOM files."""
    by_name = is_still(path.name) or path.suffix.lower() in VIDEO_SUFFIXES or unsupported_reason(path.name) is not None
    return by_name or is_dicom(path)


def unsupported_reason(name: str) -> str | None:
    """What a file of that name is and what to do with it, where it cannot be read here; else None."""
    return UNSUPPORTED_SUFFIXES.get(PurePath(name).suffix.lower())


def is_still(name: str) -> bool:
    """True for names of still pictures: clips of one frame."""
    return PurePath(name).suffix.lower() in STILL_SUFFIXES


def is_dicom(path: Path) -> bool:
    """True for files that are DICOM by their names or else begin so; scanners often give no ending.

    False where the file cannot be read, and for the table of contents of a disc.
    """
    if path.suffix.lower() in DICOM_SUFFIXES:
        return True
    if path.name.upper() == DICOMDIR_NAME:
        return False
    try:
        # Opening a pipe would wait for ever.
        if not path.is_file():
            return False
        with path.open("rb") as file:
            return file.read(132)[128:] == b"DICM"
    except OSError:
        return False
