"""A store on a network drive is refused; what people said needs locks there that hold for all machines."""

from __future__ import annotations

import sqlite3
from contextlib import closing
from pathlib import Path

import pytest

from pipeline.people.chain import JournalError
from pipeline.people.journal import Journal
from pipeline.people.schema import people_path
from pipeline.store import network_drives
from pipeline.store.lock import hold_lock
from pipeline.store.network_drives import network_drive
from pipeline.store.seen_folders import SeenFolders, seen_path
from pipeline.store.store import Store, StoreError


@pytest.fixture
def mounted(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """Folders on drives of each kind, as far as the table of mounts says so."""
    lines = [
        "/dev/sda1 / ext4 rw,relatime 0 0",
        f"server:/turtles {tmp_path}/nfs nfs4 rw,vers=4.2,local_lock=none,addr=192.0.2.1 0 0",
        f"server:/turtles {tmp_path}/nolock nfs rw,vers=3,nolock,local_lock=all 0 0",
        f"//server/turtles {tmp_path}/with\\040blank cifs rw,vers=3.1.1 0 0",
        f"//server/turtles {tmp_path}/nobrl smb3 rw,nobrl 0 0",
        f"vet@server:/turtles {tmp_path}/ssh fuse.sshfs rw 0 0",
        f"C:\\134 {tmp_path}/c 9p rw,aname=drvfs;path=C:\\134;uid=0,trans=fd 0 0",
        f"none {tmp_path}/container 9p rw,trans=fd,rfdno=5 0 0",
        f"/dev/sdb1 {tmp_path}/nfs/inner xfs rw 0 0",
        f"systemd-1 {tmp_path}/auto autofs rw 0 0",
        f"server:/turtles {tmp_path}/auto nfs rw 0 0",
        f"server:/turtles {tmp_path}/over nfs rw 0 0",
        f"/dev/sdc1 {tmp_path}/over ext4 rw 0 0",
    ]
    table = tmp_path / "mounts"
    table.write_text("".join(f"{line}\n" for line in lines))
    monkeypatch.setattr(network_drives, "MOUNTS", table)
    return tmp_path


@pytest.mark.parametrize(
    ("folder", "kind", "has_locks"),
    [
        ("nfs/sheets", "nfs4", True),
        ("nolock", "nfs", False),
        ("with blank/sheets", "cifs", True),
        ("nobrl", "smb3", False),
        ("ssh/a/b", "fuse.sshfs", False),
        ("c/Users", "9p", False),
        ("auto", "nfs", True),
    ],
)
def test_network_drives_are_recognised(mounted: Path, folder: str, kind: str, has_locks: bool) -> None:
    drive = network_drive(mounted / folder)
    assert drive is not None
    assert (drive.kind, drive.has_locks) == (kind, has_locks)
    with pytest.raises(StoreError, match=rf"network drive \({drive.mount}, {kind}\).* PostgreSQL"):
        Store(mounted / folder)
    with pytest.raises(StoreError, match="network drive"), hold_lock(mounted / folder):
        pass
    assert not list((mounted / folder).glob("*.sqlite"))


@pytest.mark.parametrize("folder", ["local", "nfs2", "container", "nfs/inner/sheets", "over"])
def test_local_disks_are_not_taken_for_network_drives(mounted: Path, folder: str) -> None:
    assert network_drive(mounted / folder) is None


def test_a_link_to_a_network_drive_is_followed(mounted: Path) -> None:
    (mounted / "nfs").mkdir()
    (mounted / "link").symlink_to(mounted / "nfs")
    assert network_drive(mounted / "link" / "sheets") is not None


def test_without_a_table_of_mounts_nothing_is_refused(mounted: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(network_drives, "MOUNTS", mounted / "missing")
    Store(mounted / "nfs").close()


def modes(*paths: Path) -> set[str]:
    found = set()
    for path in paths:
        with closing(sqlite3.connect(path)) as connection:
            found.add(connection.execute("PRAGMA journal_mode").fetchone()[0])
    return found


def test_what_people_said_has_a_rollback_journal_where_locks_hold(mounted: Path) -> None:
    for folder, mode in (("local", "wal"), ("nfs", "delete")):
        out = mounted / folder
        out.mkdir()
        with closing(Journal(out)) as journal, journal.writing() as writer:
            writer.append("note", {"text": folder})
        for _ in range(2):  # made, and opened
            SeenFolders(out).close()
        assert modes(people_path(out), seen_path(out)) == {mode}
    with closing(Journal(mounted / "nfs")) as one, closing(Journal(mounted / "nfs")) as other:
        for journal in (one, other, one):
            with journal.writing() as writer:
                writer.append("note", {"text": "again"})
        with one.reading() as read_by_one, other.reading() as read_by_other:
            assert read_by_one.entries("note") == read_by_other.entries("note")
            assert read_by_one.tip.length == 4


@pytest.mark.parametrize("folder", ["nolock", "nobrl", "ssh"])
def test_what_people_said_is_refused_where_locks_do_not_hold(mounted: Path, folder: str) -> None:
    (mounted / folder).mkdir()
    with pytest.raises(JournalError, match="whose locks do not keep other machines out"):
        Journal(mounted / folder)
    assert list((mounted / folder).iterdir()) == []
