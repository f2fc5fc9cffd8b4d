"""A file or folder on object storage, with the methods of `pathlib.Path` that reading recordings needs.

The storage is reached by fsspec, which knows S3 and many others by the beginning of the address. Credentials, the
server of a storage of one's own (AWS_ENDPOINT_URL) and other options come from the environment and the files of
each machine, as that storage's own programs take them; an address holds none.
"""

from __future__ import annotations

import datetime as dt
import errno
import io
from collections.abc import Iterator, Mapping
from contextlib import suppress
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Any, Literal

from pipeline.locations.object_file import open_object
from pipeline.locations.storage_errors import MissingObjectError, as_storage_errors

__all__ = ["ObjectEntry", "ObjectPath", "ObjectStat"]

# The names that file systems of fsspec have for the same things.
TIME_KEYS = ("LastModified", "last_modified", "mtime", "updated", "modified", "created")
ETAG_KEYS = ("ETag", "etag")
KINDS: Mapping[str, Kind] = {"file": "file", "directory": "folder"}

Kind = Literal["file", "folder", "other"]


@dataclass(frozen=True, slots=True)
class ObjectStat:
    """The attributes of `os.stat_result` that reading recordings needs.

    st_mtime_ns : in whole seconds, since listings and single questions differ in what is below; 0 if it is not known
    etag : different if the content is; "" if the storage gives none
    """

    st_size: int
    st_mtime_ns: int
    etag: str


@dataclass(frozen=True, slots=True)
class ObjectPath:
    """Immutable, and nothing is open. It can be sent to other processes.

    address : like "s3://recordings/2026", without a slash at its end
    kind : as listed; None if nobody has looked. "other" is neither file nor folder, such as a link
    """

    address: str
    kind: Kind | None = field(default=None, compare=False)

    def __str__(self) -> str:
        return self.address

    def __truediv__(self, name: str) -> ObjectPath:
        return ObjectPath(f"{self.address}/{name}")

    @property
    def name(self) -> str:
        return self.address.rpartition("/")[2]

    @property
    def suffix(self) -> str:
        stem, dot, ending = self.name.rpartition(".")
        return f"{dot}{ending}" if stem and ending else ""

    @property
    def parent(self) -> ObjectPath:
        """The top of a storage is its own parent."""
        above = self.address.rpartition("/")[0]
        return self if above.endswith("/") or not above else ObjectPath(above, "folder")

    @property
    def parents(self) -> tuple[ObjectPath, ...]:
        above = self.parent
        return () if above == self else (above, *above.parents)

    def is_dir(self) -> bool:
        """As listed, or else by asking. Raises StorageError if the storage does not answer."""
        return self._known_kind() == "folder"

    def is_file(self) -> bool:
        return self._known_kind() == "file"

    def is_symlink(self) -> bool:
        """Links of file systems behind fsspec are of another kind, and never followed."""
        return False

    def resolve(self, strict: bool = False) -> ObjectPath:
        """Itself. Raises MissingObjectError if ``strict`` and there is nothing."""
        if strict and self._known_kind() is None:
            raise MissingObjectError(errno.ENOENT, "there is no such file or folder", self.address)
        return self

    def stat(self) -> ObjectStat:
        """What the storage says now. Raises StorageError."""
        return _stat_of(self._info())

    def iterdir(self) -> Iterator[ObjectPath]:
        """The files and folders in it. Raises StorageError."""
        return (entry.location for entry in self.entries())

    def entries(self) -> list[ObjectEntry]:
        """The files and folders in it, by a single listing. Raises StorageError.

        What a storage lists that is not directly in the folder, or has a name that leads elsewhere, is left out.
        """
        with as_storage_errors(self.address):
            storage, path = self._storage()
            infos: list[dict[str, Any]] = storage.ls(path, detail=True)
        entries = []
        for info in infos:
            above, _, name = str(info["name"]).rstrip("/").rpartition("/")
            if above.strip("/") == path.strip("/") and name not in ("", ".", ".."):
                location = replace(self / name, kind=_kind_of(info))
                entries.append(ObjectEntry(location, _stat_of(info)))
        return entries

    def open(self, mode: Literal["rb"] = "rb", buffering: int = -1) -> io.BufferedReader:
        """buffering : 0 to ask for nothing beyond what is read. Raises StorageError."""
        with as_storage_errors(self.address):
            storage, path = self._storage()
        return open_object(storage, path, self.address, exact=buffering == 0)

    def read_bytes(self) -> bytes:
        with self.open(buffering=0) as file:
            return file.read()

    def write_from(self, path: Path) -> None:
        """Copy a file of this machine there. Raises StorageError, and FileNotFoundError if that file is gone."""
        with path.open("rb"), as_storage_errors(self.address):
            storage, target = self._storage()
            storage.put_file(str(path), target)

    def _known_kind(self) -> Kind | None:
        """None if there is nothing."""
        if self.kind is not None:
            return self.kind
        with suppress(MissingObjectError):
            return _kind_of(self._info())
        return None

    def _info(self) -> dict[str, Any]:
        with as_storage_errors(self.address):
            storage, path = self._storage()
            info: dict[str, Any] = storage.info(path)
            return info

    def _storage(self) -> tuple[Any, str]:
        """The file system, which fsspec keeps for each thread, and the path in it.

        Only the top of the address is left to fsspec to understand: in all of it, "::" would lead to another storage.
        """
        from fsspec.core import url_to_fs

        scheme, _, rest = self.address.partition("://")
        top, *names = rest.lstrip("/").split("/")
        if {".", ".."} & {top, *names}:
            raise FileNotFoundError
        storage, path = url_to_fs(f"{scheme}://{top}")
        storage.invalidate_cache()  # it would answer from old listings
        return storage, "/".join([path.rstrip("/"), *names])


@dataclass(frozen=True, slots=True)
class ObjectEntry:
    """What a listing says of one file or folder, with the methods of `os.DirEntry` that searching needs."""

    location: ObjectPath
    listed: ObjectStat

    @property
    def name(self) -> str:
        return self.location.name

    @property
    def path(self) -> str:
        return self.location.address

    def is_dir(self) -> bool:
        return self.location.kind == "folder"

    def is_symlink(self) -> bool:
        return False

    def stat(self) -> ObjectStat:
        return self.listed


def _kind_of(info: Mapping[str, Any]) -> Kind:
    return "other" if info.get("islink") else KINDS.get(str(info.get("type")), "other")


def _stat_of(info: Mapping[str, Any]) -> ObjectStat:
    time = next((info[key] for key in TIME_KEYS if info.get(key)), None)
    if isinstance(time, str):
        with suppress(ValueError):
            time = dt.datetime.fromisoformat(time)
    if isinstance(time, dt.datetime):
        time = (time if time.tzinfo else time.replace(tzinfo=dt.UTC)).timestamp()
    seconds = int(time) if isinstance(time, int | float) else 0
    etag = next((str(info[key]).strip('"') for key in ETAG_KEYS if info.get(key)), "")
    return ObjectStat(int(info.get("size") or 0), seconds * 1_000_000_000, etag)
