"""The names of animals and clips, made safe as names of files and folders.

A safe name is kept. In any other name, "_" replaces the unsafe characters, and "~" with eight digits of the name's hash
is added, so that different names never share a folder. "~" itself counts as unsafe, so no kept name looks like a
replaced one.
"""

from __future__ import annotations

import hashlib
import re
import unicodedata
from collections import Counter
from collections.abc import Sequence
from pathlib import PurePosixPath
from urllib.parse import quote

from pipeline.exams.exam import Exam

__all__ = ["animal_folder", "clip_file_stems", "exam_folder", "relative_url", "safe_name"]

MAX_NAME_BYTES = 100  # file systems stop at 255 bytes, and suffixes are added
WINDOWS_DEVICE_NAMES = re.compile(r"(con|prn|aux|nul|com\d|lpt\d)(\..*)?", re.IGNORECASE)
# Of files in the output folder, next to the folders of the animals.
RESERVED_SUFFIXES = (
    ".html", ".js", ".csv", ".parquet", ".json", ".db", ".sqlite", ".sqlite3", ".lock", ".log", ".toml",
)  # fmt: skip


def safe_name(name: str) -> str:
    """The name as one path component that is valid on every common file system.

    >>> safe_name("AF-0412"), safe_name("../up").partition("~")[0]
    ('AF-0412', '___up')
    """
    plain = unicodedata.normalize("NFC", name)
    safe = "".join(c if c.isalnum() or c in "-_. " else "_" for c in plain)
    # A leading dot hides a file, or names a parent folder. Windows drops trailing dots and spaces.
    safe = re.sub(r"^[. ]+|[. ]+$", lambda found: "_" * len(found.group()), safe)
    if WINDOWS_DEVICE_NAMES.fullmatch(safe):
        safe = f"_{safe}"
    short = safe.encode()[:MAX_NAME_BYTES].decode(errors="ignore")
    return short if short == plain and short else f"{short}~{_hash_digits(name)}"


def exam_folder(exam: Exam) -> PurePosixPath:
    """ANIMAL/DATE: the folder of an exam's files, relative to the output folder."""
    return PurePosixPath(animal_folder(exam.animal)) / exam.date.isoformat()


def animal_folder(animal: str) -> str:
    """The folder of an animal's exams."""
    name = safe_name(animal)
    return f"{name}~{_hash_digits(animal)}" if name.casefold().endswith(RESERVED_SUFFIXES) else name


def clip_file_stems(files: Sequence[str]) -> dict[str, str]:
    """A safe name for each clip of one exam: the stem of its file, or the whole file name if stems would collide.

    >>> clip_file_stems(["left-1.mp4", "right-1.mp4", "right-1.avi"])
    {'left-1.mp4': 'left-1', 'right-1.mp4': 'right-1.mp4', 'right-1.avi': 'right-1.avi'}
    """
    stems = {file: str(PurePosixPath(file).with_suffix("")) if PurePosixPath(file).name else file for file in files}
    shared = Counter(safe_name(stem).casefold() for stem in stems.values())
    return {file: safe_name(stem if shared[safe_name(stem).casefold()] == 1 else file) for file, stem in stems.items()}


def relative_url(path: PurePosixPath) -> str:
    """The URL of a path, relative to the folder of the page that links to it."""
    return quote(str(path))


def _hash_digits(name: str) -> str:
    return hashlib.sha256(unicodedata.normalize("NFC", name).encode("utf-8", "surrogatepass")).hexdigest()[:8]
