"""Drives that other machines may use at the same time, found in the system's table of mounts.

SQLite's WAL mode needs memory that all its users share, so it works on one machine only
(https://www.sqlite.org/wal.html). Its older mode, with a rollback journal, needs nothing but locks that reach the other
machines.
"""

from __future__ import annotations

import re
from dataclasses import dataclass
from pathlib import Path

from pipeline.store.schema import StoreError

__all__ = ["NetworkDrive", "journal_mode", "network_drive", "refuse_network_drive"]

MOUNTS = Path("/proc/self/mounts")
NETWORK_TYPES = frozenset(
    {
        "afs", "beegfs", "ceph", "cifs", "glusterfs", "gpfs", "lustre", "ncpfs", "nfs", "nfs4", "smb3", "smbfs",
        "fuse.beegfs", "fuse.ceph", "fuse.davfs", "fuse.gcsfuse", "fuse.glusterfs", "fuse.goofys", "fuse.gvfsd-fuse",
        "fuse.juicefs", "fuse.mount.s3fs", "fuse.rclone", "fuse.s3fs", "fuse.smbnetfs", "fuse.sshfs",
    }
)  # fmt: skip
# A 9p file system may also be the disk of a virtual machine or container, which is fine.
NETWORK_9P = ("aname=drvfs", "trans=rdma", "trans=tcp")  # the first: a drive of Windows in WSL
# Their locks hold for all machines, unless mounted with one of these options: nfs(5), mount.cifs(8).
LOCKING_TYPES = frozenset({"cifs", "nfs", "nfs4", "smb3"})
LOCAL_LOCKS = frozenset({"local_lock=all", "local_lock=flock", "local_lock=posix", "nobrl", "nolock"})


@dataclass(frozen=True)
class NetworkDrive:
    """kind : of the file system, such as nfs4;  has_locks : whether a lock of one machine holds for the others"""

    mount: Path
    kind: str
    has_locks: bool


def network_drive(folder: Path) -> NetworkDrive | None:
    """The network drive that holds a folder, which need not exist yet. None for a local disk, or if unknown."""
    try:
        lines = MOUNTS.read_text(encoding="utf-8", errors="surrogateescape").splitlines()
    except OSError:
        return None  # not Linux
    path = folder.resolve()
    found: tuple[Path, str, str] | None = None
    for line in lines:
        _, place, kind, options, *_ = line.split(" ")
        point = Path(re.sub(r"\\([0-7]{3})", lambda code: chr(int(code[1], 8)), place))
        # Of mounts at the same place the last one is seen.
        if path.is_relative_to(point) and (found is None or len(point.parts) >= len(found[0].parts)):
            found = point, kind, options
    if found is None:
        return None
    mount, kind, options = found
    stated = options.split(",")
    if kind not in NETWORK_TYPES and not (kind == "9p" and any(option.startswith(NETWORK_9P) for option in stated)):
        return None
    return NetworkDrive(mount, kind, kind in LOCKING_TYPES and LOCAL_LOCKS.isdisjoint(stated))


def refuse_network_drive(out: Path) -> None:
    """Raises StoreError if the store must not be a file of this folder."""
    drive = network_drive(out)
    if drive is not None:
        raise StoreError(
            f"{out}: on a network drive ({drive.mount}, {drive.kind}), where the store cannot be a file: two machines "
            "could damage it. Choose a folder on a local disk with --out, or a PostgreSQL server with [run] database "
            "in the settings."
        )


def journal_mode(file: Path) -> str:
    """The mode in which SQLite may use a file here: WAL on a local disk, DELETE (a rollback journal) elsewhere."""
    return "WAL" if network_drive(file.parent) is None else "DELETE"
