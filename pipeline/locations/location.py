"""What folders of this machine and object storage have in common, for all that finds and reads recordings."""

from __future__ import annotations

import os
import re
from collections.abc import Iterator, Sequence
from pathlib import Path
from typing import BinaryIO, Literal, Protocol
from urllib.parse import unquote

from models.errors import ClutchlightError
from pipeline.locations.file_state import FileStat
from pipeline.locations.object_path import ObjectEntry, ObjectPath

__all__ = [
    "Entry",
    "Location",
    "LocationError",
    "entry_location",
    "is_within",
    "list_folder",
    "location",
]

_ADDRESS = re.compile(r"([a-z][a-z0-9+.-]+)://(.*)", re.IGNORECASE | re.DOTALL)
LOCAL_SCHEMES = ("file", "local")


class LocationError(ClutchlightError):
    """An address that cannot be used."""


class Location(Protocol):
    """A file or folder that is only read: a `pathlib.Path`, or an `ObjectPath`, whose methods do the same."""

    @property
    def name(self) -> str: ...
    @property
    def suffix(self) -> str: ...
    @property
    def parent(self) -> Location: ...
    @property
    def parents(self) -> Sequence[Location]: ...
    def __truediv__(self, name: str, /) -> Location: ...
    def __hash__(self) -> int: ...
    def is_dir(self) -> bool: ...
    def is_file(self) -> bool: ...
    def is_symlink(self) -> bool: ...
    def resolve(self, strict: bool = ...) -> Location: ...
    def stat(self) -> FileStat: ...
    def iterdir(self) -> Iterator[Location]: ...
    def open(self, mode: Literal["rb"], buffering: int = ..., /) -> BinaryIO: ...
    def read_bytes(self) -> bytes: ...


class Entry(Protocol):
    """What the listing of a folder says of a file or folder in it: an `os.DirEntry`, or an `ObjectEntry`."""

    @property
    def name(self) -> str: ...
    @property
    def path(self) -> str: ...
    def is_dir(self) -> bool: ...
    def is_symlink(self) -> bool: ...
    def stat(self) -> FileStat: ...


def location(text: str) -> Location:
    """The location that a text names, for `pipeline.find_exams`.

    Parameters
    ----------
    text
        An address on object storage, or a path of this machine.

    Returns
    -------
    Location
        A `pathlib.Path`, or what can be used in its place. It need not exist.

    Raises
    ------
    LocationError
        If the address holds a password, or several addresses.

    Examples
    --------
    >>> str(location("s3://recordings/2026/")), str(location("file:///srv/recordings"))
    ('s3://recordings/2026', '/srv/recordings')
    """
    match = _ADDRESS.fullmatch(text)
    if match is None:
        return Path(text)
    scheme = match[1].lower()
    if scheme in LOCAL_SCHEMES:
        return Path(unquote(match[2]))
    # Only what names the storage is looked at: behind it are names that somebody gave to files.
    top = match[2].lstrip("/").partition("/")[0]
    if "::" in top:
        raise LocationError(f"{text}: several addresses in one are not supported; name the storage itself.")
    if ":" in top.rpartition("@")[0]:
        raise LocationError(
            f"{scheme}://...@{top.rpartition('@')[2]}: an address may hold no password; leave it to the environment or "
            "the files of the storage's own programs."
        )
    return ObjectPath(f"{scheme}://{match[2].rstrip('/')}", "folder" if text.endswith("/") else None)


def list_folder(folder: Location | str) -> Sequence[Entry]:
    """What is in a folder, by a single listing. Raises OSError.

    folder : a text where there are very many, since a `Path` for each of 100,000 takes a second
    """
    if isinstance(folder, str) and "://" in folder:
        folder = location(folder)
    if isinstance(folder, ObjectPath):
        return folder.entries()
    with os.scandir(str(folder)) as entries:
        return list(entries)


def entry_location(entry: Entry) -> Location:
    return entry.location if isinstance(entry, ObjectEntry) else Path(entry.path)


def is_within(inner: Location, outer: Location) -> bool:
    """Whether one is the other or is in it. Both absolute and without links."""
    return inner == outer or outer in inner.parents
