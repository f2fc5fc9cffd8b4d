"""Which files are recordings, judged by their names' endings, and DICOM files without one by their first bytes."""

from __future__ import annotations

from pathlib import Path, PurePath

__all__ = ["STILL_ENDINGS", "VIDEO_ENDINGS", "is_dicom", "is_recording", "is_still"]

VIDEO_ENDINGS = frozenset(
    {".avi", ".gif", ".m4v", ".mkv", ".mov", ".mp4", ".mpeg", ".mpg", ".webm", ".wmv"},
)
STILL_ENDINGS = frozenset({".bmp", ".jpeg", ".jpg", ".png", ".tif", ".tiff"})
DICOM_ENDINGS = frozenset({".dcm", ".dicom"})
# The table of contents that lies beside the recordings on a disc (PS3.10 section 8.6).
DICOM_CONTENTS = "DICOMDIR"


def is_recording(path: Path) -> bool:
    """True for videos and still pictures by their names, and for DICOM files."""
    return is_still(path.name) or path.suffix.lower() in VIDEO_ENDINGS or is_dicom(path)


def is_still(name: str) -> bool:
    """True for names of still pictures: clips of one frame."""
    return PurePath(name).suffix.lower() in STILL_ENDINGS


def is_dicom(path: Path) -> bool:
    """True for files that are DICOM by their names or else begin so; scanners often give no ending.

    False where the file cannot be read, and for the table of contents of a disc.
    """
    if path.suffix.lower() in DICOM_ENDINGS:
        return True
    if path.name.upper() == DICOM_CONTENTS:
        return False
    try:
        # Opening a pipe would wait for ever.
        if not path.is_file():
            return False
        with path.open("rb") as file:
            return file.read(132)[128:] == b"DICM"
    except OSError:
        return False
