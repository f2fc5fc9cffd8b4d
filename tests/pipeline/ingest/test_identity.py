from __future__ import annotations

import os
import shutil
from pathlib import Path

import pytest

from pipeline.ingest.frame import ClipError
from pipeline.ingest.identity import file_state, identify
from pipeline.settings import IngestSettings
from tests.pipeline.ingest.filming import film


def test_a_recording_is_known_by_its_content_alone(tmp_path: Path, settings: IngestSettings) -> None:
    path = film(tmp_path / "a.mp4", "libx264")
    other = Path(shutil.copy(path, tmp_path / "B.MOV"))
    one, two = identify(path, settings), identify(other, settings)
    assert (one.sha256, one.pictures_sha256) == (two.sha256, two.pictures_sha256)
    assert one.sha256 != one.pictures_sha256


def test_pictures_are_the_same_in_another_container(tmp_path: Path, settings: IngestSettings) -> None:
    names = ("a.mp4", "a.mov", "a.mkv")
    known = [identify(film(tmp_path / name, "mpeg4"), settings) for name in names]
    assert len({one.sha256 for one in known}) == 3
    assert len({one.pictures_sha256 for one in known}) == 1
    shorter = identify(film(tmp_path / "b.mp4", "mpeg4", 19), settings)
    assert shorter.pictures_sha256 != known[0].pictures_sha256


def test_what_is_no_video_is_known_by_its_bytes(tmp_path: Path, settings: IngestSettings) -> None:
    (tmp_path / "a.mp4").write_bytes(b"echo" * 1000)
    (tmp_path / "a.png").write_bytes(b"echo" * 1000)
    for name in ("a.mp4", "a.png"):
        known = identify(tmp_path / name, settings)
        assert known.sha256 == known.pictures_sha256


def test_the_state_tells_of_growth_and_of_later_changes(tmp_path: Path) -> None:
    path = tmp_path / "a.mp4"
    path.write_bytes(b"12345")
    os.utime(path, ns=(1, 2_000_000_000))
    assert (file_state(path).size_bytes, file_state(path).changed_ns) == (5, 2_000_000_000)
    folder = tmp_path / "left"
    folder.mkdir()
    for number in range(3):
        (folder / f"{number}.png").write_bytes(b"123")
    assert file_state(folder).size_bytes >= 9
    before = file_state(folder)
    os.utime(folder / "1.png", ns=(1, before.changed_ns + 5))
    assert file_state(folder).changed_ns == before.changed_ns + 5
    with pytest.raises(ClipError, match="cannot be read: No such file"):
        file_state(tmp_path / "none")
