"""Writes the files of one exam into its folder.

Each file is written atomically: after a crash there is the old file or the new one, never half of one. Only one run at
a time writes to an output folder.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from pathlib import Path

from pipeline.store.atomic_write import OutputError, write_atomically, write_trouble

__all__ = ["replace_exam_files", "write_files"]

# Files that some exams have and others lack.
OPTIONAL_FILES = ("*.mot.txt", "*.path.csv", "report-*.dcm", "thumbnail.jpg")


def replace_exam_files(folder: Path, files: Mapping[str, Iterable[bytes]]) -> None:
    """Write all files of an exam, in their order, in place of those that it had. Raises OutputError.

    files : the chunks of each, by name (`pipeline.report.exam_files.exam_files`)
    """
    _remove_outdated(folder, files)
    write_files(folder, files)


def write_files(folder: Path, files: Mapping[str, Iterable[bytes]]) -> None:
    """Write some files, in their order, and leave the others of the folder. Raises OutputError."""
    for name, chunks in files.items():
        write_atomically(folder / name, chunks)


def _remove_outdated(folder: Path, kept: Iterable[str]) -> None:
    """Remove the files of clips that are no longer in the exam, or no longer usable, so that none looks current."""
    kept = set(kept)
    try:
        if folder.is_dir():
            for path in [path for pattern in OPTIONAL_FILES for path in folder.glob(pattern)]:
                if path.name not in kept:
                    path.unlink()
    except OSError as error:
        raise OutputError(f"an outdated file in {folder} cannot be removed: {write_trouble(error)}") from error
