"""Recordings on object storage that is in memory: the same as in a folder, and nothing beside it."""

from __future__ import annotations

import errno
import io
import pickle
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import cv2
import fsspec
import numpy as np
import pytest
from fsspec.implementations.memory import MemoryFileSystem

from pipeline.exams.exam_search import ExamRootError, ExamSearch, find_exams
from pipeline.exams.folder_state import folder_state
from pipeline.ingest.clip import open_clip
from pipeline.ingest.frame import ClipError
from pipeline.ingest.recording_identity import file_sha256, file_state, pictures_sha256
from pipeline.locations.location import Location, LocationError, is_within, list_folder, location
from pipeline.locations.object_path import ObjectPath
from pipeline.locations.storage_errors import MissingObjectError, StorageError
from pipeline.settings import load_settings
from tests.pipeline.blob_finder import film, write_exam_folder
from tests.pipeline.ingest.dicom.dicom_files import block_pictures, encode_jpegs, write_jpeg_dicom

SETTINGS = load_settings().ingest
OPEN = MemoryFileSystem._open
FRAMES = 12
FILES = ("cine", "left-1.mp4", "right-1.jpg", "stills")


@pytest.fixture(scope="module")
def filmed(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """An exam with a video, a DICOM file, a still, a folder of stills and what is no recording; another without any."""
    root = tmp_path_factory.mktemp("filmed")
    folder = write_exam_folder(root, "AF-0001", {"left-1.mp4": 2}, frames=FRAMES)
    write_jpeg_dicom(folder / "cine", encode_jpegs(block_pictures(FRAMES)))
    (folder / "stills").mkdir()
    for number, picture in enumerate(film(1, frames=3)):
        cv2.imwrite(str(folder / "stills" / f"{number}.png"), picture)
    cv2.imwrite(str(folder / "right-1.jpg"), film(0, frames=1)[0])
    (folder / "notes.txt").write_text("restless")
    (root / "AF-0002" / "2026-05-14").mkdir(parents=True)
    (root / "AF-0002" / "2026-05-14" / "notes.txt").write_text("no recording")
    return root


@pytest.fixture
def storage() -> Iterator[MemoryFileSystem]:
    """It is one for the whole process."""
    memory: MemoryFileSystem = fsspec.filesystem("memory")
    memory.store.clear()
    memory.pseudo_dirs[:] = [""]
    yield memory
    memory.store.clear()


@pytest.fixture
def stored(filmed: Path, storage: MemoryFileSystem) -> Location:
    """The same recordings on the storage."""
    for path in sorted(filmed.rglob("*")):
        if path.is_file():
            storage.pipe_file(f"/recordings/{path.relative_to(filmed)}", path.read_bytes())
    return location("memory://recordings/")


def described(search: ExamSearch, root: Location) -> tuple[list[Any], list[str]]:
    """What a search found, without where."""
    exams = [
        (exam.animal, exam.date, [(clip.file, clip.window, clip.mm_per_px, clip.refusal) for clip in exam.clips])
        for exam in search.exams
    ]
    return exams, [problem.reason.replace(str(root), "") for problem in search.problems]


def test_the_same_exams_are_found(filmed: Path, stored: Location) -> None:
    found = described(find_exams(stored), stored)
    assert [file for file, *_ in found[0][0][2]] == list(FILES)
    assert found == described(find_exams(filmed), filmed)


@pytest.mark.parametrize("file", FILES)
def test_the_same_frames_and_digests_are_read(filmed: Path, stored: Location, file: str) -> None:
    local, there = filmed / "AF-0001" / "2026-05-14" / file, stored / "AF-0001" / "2026-05-14" / file
    there = pickle.loads(pickle.dumps(there))
    assert file_sha256(there) == file_sha256(local)
    assert pictures_sha256(there, SETTINGS) == pictures_sha256(local, SETTINGS)
    assert file_state(there).size_bytes == file_state(local).size_bytes - (local.is_dir() and local.stat().st_size)
    with open_clip(local, SETTINGS) as expected, open_clip(there, SETTINGS) as clip:
        pairs = list(zip(expected, clip, strict=True))
        assert (clip.frame_rate, clip.calibration, clip.reason) == (expected.frame_rate, expected.calibration, None)
    assert pairs
    assert all(np.array_equal(one.grey, other.grey) and one.time_s == other.time_s for one, other in pairs)


def test_a_changed_object_changes_the_state_of_its_folder(storage: MemoryFileSystem, stored: Location) -> None:
    folder = f"{stored}/AF-0001/2026-05-14"
    before = folder_state(folder)
    assert before == folder_state(folder) != folder_state(f"{stored}/AF-0002/2026-05-14")
    storage.pipe_file("/recordings/AF-0001/2026-05-14/left-1.mp4", b"another")
    assert folder_state(folder) not in (before, None)
    assert folder_state(f"{stored}/nothing") is None


def lost_after(after_bytes: int) -> Callable[..., Any]:
    """A storage whose connection is lost when so many bytes of an object were read."""

    class Breaking(io.BytesIO):
        given = 0

        def read(self, size: int | None = -1) -> bytes:
            data = super().read(size)
            self.given += len(data)
            if self.given > after_bytes:
                raise RuntimeError("connection reset")
            return data

    def open_breaking(self: MemoryFileSystem, path: str, *arguments: Any, **options: Any) -> Any:
        return Breaking(OPEN(self, path, *arguments, **options).getvalue())

    return open_breaking


@pytest.mark.parametrize(("file", "share"), [(file, 0.0) for file in FILES] + [("cine", 1.3), ("left-1.mp4", 0.7)])
def test_a_lost_connection_is_no_damage(
    stored: Location, monkeypatch: pytest.MonkeyPatch, file: str, share: float
) -> None:
    """A clip that counted as broken would be kept as such."""
    path, frames = stored / "AF-0001" / "2026-05-14" / file, []
    size = sum(each.stat().st_size for each in (path.iterdir() if path.is_dir() else [path]))
    monkeypatch.setattr(MemoryFileSystem, "_open", lost_after(int(share * size)))
    monkeypatch.setattr("pipeline.locations.object_file.BUFFER_BYTES", 1024)
    with (
        pytest.raises(ClipError, match=r"connection reset\); the next run tries again"),
        open_clip(path, SETTINGS) as clip,
    ):
        frames.extend(frame.index for frame in clip)
    assert bool(frames) == bool(share)
    monkeypatch.setattr(MemoryFileSystem, "_open", lost_after(0))
    with pytest.raises(ClipError, match="the next run tries again"):
        file_sha256(path)


@pytest.mark.parametrize(("method", "of"), [("_open", "cine"), ("ls", "stills")])
def test_an_exam_is_never_found_in_part(
    stored: Location, monkeypatch: pytest.MonkeyPatch, method: str, of: str
) -> None:
    """Without the recording that could not be reached it would count as complete, and not be looked at again."""
    plain = getattr(MemoryFileSystem, method)

    def fail(self: MemoryFileSystem, path: str, *arguments: Any, **options: Any) -> Any:
        if path.endswith(of):
            raise RuntimeError("connection reset")
        return plain(self, path, *arguments, **options)

    monkeypatch.setattr(MemoryFileSystem, method, fail)
    search = find_exams(stored)
    assert search.exams == ()
    folder = f"{stored}/AF-0001/2026-05-14"
    (reason,) = (problem.reason for problem in search.problems if str(problem.path) == folder)
    assert reason == f"{folder}: folder cannot be read: the storage does not give it (connection reset)."


def test_what_a_storage_lists_elsewhere_is_left_out(stored: Location, monkeypatch: pytest.MonkeyPatch) -> None:
    names = ["/recordings/a.mp4", "/recordings/../b.mp4", "/recordings/..", "/recordings", "/other/c.mp4", "d.mp4"]
    listed = [{"name": name, "type": "file", "size": 1} for name in names]
    listed.append({"name": "/recordings/link.mp4", "type": "file", "size": 1, "islink": True})
    monkeypatch.setattr(MemoryFileSystem, "ls", lambda *arguments, **options: listed)
    assert [(entry.name, entry.is_dir()) for entry in list_folder(stored)] == [("a.mp4", False), ("link.mp4", False)]
    assert not any(path.is_file() for path in stored.iterdir() if path.name == "link.mp4")


@pytest.mark.parametrize("name", ["..", ".", "../filmed", "AF-0001/../../x"])
def test_nothing_above_is_reached(stored: Location, name: str) -> None:
    path = stored / name
    assert not path.is_dir()
    assert not path.is_file()
    for reach in (path.stat, path.iterdir, path.read_bytes):
        with pytest.raises(MissingObjectError):
            reach()


def test_a_side_file_reaches_no_other_storage(filmed: Path, storage: MemoryFileSystem, stored: Location) -> None:
    """What fsspec would take for another address is a name like any other, also of folders."""
    storage.pipe_file("/recordings/x::file:/2026-05-14/left-1.mp4", b"no video")
    for number, name in enumerate([f"::file:{filmed}", "::memory:", ".."]):
        side = f'animal = "AF"\ndate = 2026-05-{number + 1:02}\n[[clip]]\nfile = "{name}"\n'
        storage.pipe_file(f"/recordings/{number}/exam.toml", side.encode())
    assert folder_state(f"{stored}/x::file:/2026-05-14") is not None
    refusals = [clip.refusal for exam in find_exams(stored).exams if exam.animal == "AF" for clip in exam.clips]
    assert len(refusals) == 3
    assert all(refusals)


def test_errors_are_sentences(storage: MemoryFileSystem, monkeypatch: pytest.MonkeyPatch) -> None:
    with pytest.raises(ExamRootError, match=r"memory://nothing: no such folder"):
        find_exams(location("memory://nothing"))
    for error, words in (
        (PermissionError("Forbidden"), "denies access"),
        (RuntimeError("no route\nto host"), r"no route to host"),
        (OSError(errno.EBUSY, "expired"), "replaced while it was read"),
    ):

        def fail(*arguments: Any, error: Exception = error, **options: Any) -> None:
            raise error

        monkeypatch.setattr(MemoryFileSystem, "info", fail)
        with pytest.raises(ExamRootError, match=words):
            find_exams(location("memory://recordings"))
    with pytest.raises(StorageError, match="clutchlight"):
        location("oci://bucket").is_dir()


@pytest.mark.parametrize("text", ["s3://key:secret@bucket/x", "zip://a.mp4::s3://bucket/b.zip"])
def test_addresses_that_are_refused(text: str) -> None:
    with pytest.raises(LocationError) as raised:
        location(text)
    assert "secret" not in str(raised.value)


def test_the_parts_of_an_address_are_those_of_a_path() -> None:
    assert location("/srv/a") == Path("/srv/a")
    assert location("file:///srv/a%20b") == Path("/srv/a b")
    path = location("S3://bucket/2026/AF-1/") / "left.1.MP4"
    assert isinstance(path, ObjectPath)
    posix = Path("/bucket/2026/AF-1/left.1.MP4")
    assert (path.name, path.suffix, str(path)) == (posix.name, posix.suffix, f"s3:/{posix}")
    assert [str(above) for above in path.parents] == [f"s3:/{above}" for above in list(posix.parents)[:-1]]
    assert [ObjectPath(f"s3://b/{name}").suffix for name in (".mp4", "a.", "a", "a.b")] == ["", "", "", ".b"]
    assert is_within(path, location("s3://bucket/2026"))
    assert not is_within(path, location("s3://bucket/20"))
    assert not is_within(posix, location("s3://bucket"))
    assert not is_within(path, Path("/"))
