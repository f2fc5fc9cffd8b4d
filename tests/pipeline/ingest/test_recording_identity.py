from __future__ import annotations

import os
import shutil
from pathlib import Path

import numpy as np
import pytest

from pipeline.ingest.frame import ClipError
from pipeline.ingest.recording_identity import file_sha256, file_state, pictures_sha256
from pipeline.settings_tables import IngestSettings
from tests.pipeline.ingest.video_files import encode_video


def test_digests_depend_on_the_content_alone(tmp_path: Path, settings: IngestSettings) -> None:
    path = encode_video(tmp_path / "a.mp4", "libx264")
    other = Path(shutil.copy(path, tmp_path / "B.MOV"))
    one, two = (
        (file_sha256(each), pictures_sha256(each, settings, max_packets=1), pictures_sha256(each, settings))
        for each in (path, other)
    )
    assert one == two
    assert len(set(one)) == 3


def test_the_pictures_are_the_same_in_another_container(tmp_path: Path, settings: IngestSettings) -> None:
    names = ("a.mp4", "a.mov", "a.mkv")
    paths = [encode_video(tmp_path / name, "mpeg4") for name in names]
    assert len({file_sha256(path) for path in paths}) == 3
    (first,) = {pictures_sha256(path, settings, max_packets=1) for path in paths}
    (whole,) = {pictures_sha256(path, settings) for path in paths}
    shorter = encode_video(tmp_path / "b.mp4", "mpeg4", 19)
    assert pictures_sha256(shorter, settings, max_packets=1) == first
    assert pictures_sha256(shorter, settings) not in (whole, None)


def test_only_the_beginning_is_read_for_the_first_picture(tmp_path: Path, settings: IngestSettings) -> None:
    noise = np.random.default_rng(1).integers(0, 256, (40, 240, 320), np.uint8)
    path = encode_video(tmp_path / "a.mkv", "ffv1", list(noise))
    before = bytes_read()
    pictures_sha256(path, settings, max_packets=1)
    assert bytes_read() - before < 0.6 * path.stat().st_size  # enough to detect the format


def bytes_read() -> int:
    """The number of bytes that this process has read so far."""
    return int(Path("/proc/self/io").read_text().split()[1])


def test_what_is_not_a_video_has_no_pictures(tmp_path: Path, settings: IngestSettings) -> None:
    for name in ("a.mp4", "a.png"):
        (tmp_path / name).write_bytes(b"echo" * 1000)
        assert pictures_sha256(tmp_path / name, settings) is None


def test_the_state_shows_growth_and_later_changes(tmp_path: Path) -> None:
    path = tmp_path / "a.mp4"
    path.write_bytes(b"12345")
    os.utime(path, ns=(1, 2_000_000_000))
    assert (file_state(path).size_bytes, file_state(path).modified_ns) == (5, 2_000_000_000)
    folder = tmp_path / "left"
    folder.mkdir()
    for number in range(3):
        (folder / f"{number}.png").write_bytes(b"123")
    assert file_state(folder).size_bytes >= 9
    before = file_state(folder)
    os.utime(folder / "1.png", ns=(1, before.modified_ns + 5))
    assert file_state(folder).modified_ns == before.modified_ns + 5
    with pytest.raises(ClipError, match="cannot be read: No such file"):
        file_state(tmp_path / "none")
