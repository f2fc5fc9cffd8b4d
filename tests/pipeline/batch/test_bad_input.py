"""Bad input through the real command line: it is named and explained, and does no harm to the rest.

Every run here also has one good exam, which must be done.
"""

from __future__ import annotations

import errno
import json
import os
import re
import shutil
import subprocess
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from pipeline.attacks.kills import without_run_time
from pipeline.batch.run import run_batch
from pipeline.cli.exit_codes import ExitCode
from pipeline.settings import load_settings
from tests.pipeline.blob_finder import BlobFinder, film, write_exam_folder, write_video
from tests.pipeline.conftest import Clutchlight


@pytest.fixture(scope="module")
def filmed(tmp_path_factory: pytest.TempPathFactory) -> Path:
    root = tmp_path_factory.mktemp("filmed")
    write_exam_folder(root, "AF-0001", {"left-1.mp4": 2})
    write_exam_folder(root, "AF-0002", {"left-1.mp4": 1, "right-1.mp4": 3}, seed=7)
    return root


@pytest.fixture(scope="module")
def fresh(filmed: Path, tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The results of an undisturbed run over the same recordings."""
    out = tmp_path_factory.mktemp("fresh")
    run_batch(filmed, out, load_settings(), BlobFinder)
    return out


@pytest.fixture
def bad(root: Path) -> Path:
    """The clip that the test replaces; AF-0001 stays good."""
    return root / "AF-0002/2026-05-14/right-1.mp4"


def assert_good_exam_done(out: Path) -> None:
    document: dict[str, Any] = json.loads((out / "AF-0001/2026-05-14/result.json").read_text())
    assert document["clips"][0]["status"] == "done"
    assert "AF-0001" in (out / "index.html").read_text()


def assert_nothing_half_written(out: Path) -> None:
    left = [path for path in out.rglob("*") if path.name.endswith((".part", ".tmp", "-journal"))]
    assert left == []
    for path in out.rglob("*.json"):
        json.loads(path.read_bytes())


def assert_one_clip_refused(clutchlight: Clutchlight, root: Path, bad: Path, *words: str) -> None:
    out = root.parent / "out"
    done = clutchlight("batch", root, "--out", out)
    assert done.code == ExitCode.SOME_UNUSABLE, done.stderr
    messages = [line for line in done.stderr.splitlines() if str(bad) in line]
    assert len(messages) == 1, done.stderr
    for word in words:
        assert word in messages[0]
    document = json.loads((out / "AF-0002/2026-05-14/result.json").read_text())
    assert [clip["status"] for clip in document["clips"]] == ["done", "refused"]
    assert document["clips"][1]["reason"]
    assert_good_exam_done(out)
    assert_nothing_half_written(out)


def test_empty_folder(clutchlight: Clutchlight, tmp_path: Path) -> None:
    (tmp_path / "root").mkdir()
    done = clutchlight("batch", tmp_path / "root", "--out", tmp_path / "out")
    assert done.code == ExitCode.NOTHING_USABLE
    assert f"{tmp_path / 'root'}: holds no recording" in done.stderr


def test_missing_folder(clutchlight: Clutchlight, tmp_path: Path) -> None:
    done = clutchlight("batch", tmp_path / "rot", "--out", tmp_path / "out")
    assert done.code == ExitCode.USAGE
    assert f"{tmp_path / 'rot'}: no such folder" in done.stderr


def test_empty_exam_folder_next_to_a_good_one(clutchlight: Clutchlight, root: Path, tmp_path: Path) -> None:
    (root / "AF-0003/2026-05-14").mkdir(parents=True)
    done = clutchlight("batch", root, "--out", tmp_path / "out")
    assert done.code == ExitCode.SOME_UNUSABLE
    assert f"{root / 'AF-0003/2026-05-14'}: holds no recording" in done.stderr
    assert_good_exam_done(tmp_path / "out")


def test_truncated_mp4(clutchlight: Clutchlight, root: Path, bad: Path) -> None:
    bad.write_bytes(bad.read_bytes()[: bad.stat().st_size // 2])
    assert_one_clip_refused(clutchlight, root, bad, "cut off", "copy it from the scanner again")


def test_text_file_named_mp4(clutchlight: Clutchlight, root: Path, bad: Path) -> None:
    bad.write_text("Left window, three eggs, she was restless.\n" * 30)
    assert_one_clip_refused(clutchlight, root, bad, "text file", "copy the clip")


def test_empty_file(clutchlight: Clutchlight, root: Path, bad: Path) -> None:
    bad.write_bytes(b"")
    assert_one_clip_refused(clutchlight, root, bad, "empty", "copy the clip")


def test_clip_without_frames(clutchlight: Clutchlight, root: Path, bad: Path) -> None:
    import av

    with av.open(str(bad), "w") as container:
        stream: Any = container.add_stream("libx264", rate=25)
        stream.width, stream.height, stream.pix_fmt = 192, 160, "yuv420p"
        container.start_encoding()
    assert_one_clip_refused(clutchlight, root, bad, "holds no pictures")


def test_clip_of_eight_by_eight_pixels(clutchlight: Clutchlight, root: Path, bad: Path) -> None:
    write_video(bad, [np.full((8, 8), 90, np.uint8)] * 10, codec="mpeg4")
    assert_one_clip_refused(clutchlight, root, bad, "8 x 8", "full size")


def test_dark_clip(clutchlight: Clutchlight, root: Path, bad: Path) -> None:
    write_video(bad, [np.zeros((160, 192), np.uint8)] * 20)
    reason = "no part of the screen shows echoes in any of 20 frames (20 too dark); for the next scan: use more gain"
    assert_one_clip_refused(clutchlight, root, bad, reason)


def test_clip_that_breaks_off_is_used_up_to_that_point(clutchlight: Clutchlight, root: Path, tmp_path: Path) -> None:
    clip = root / "AF-0002/2026-05-14/left-2.avi"
    write_video(clip, film(2, frames=60), codec="ffv1")
    clip.write_bytes(clip.read_bytes()[: clip.stat().st_size * 2 // 3])
    os.utime(clip, (1.7e9, 1.7e9))  # long ago, so it is not still being copied
    done = clutchlight("batch", root, "--out", tmp_path / "out")
    assert done.code == ExitCode.DONE
    assert f"{clip}: only the first " in done.stderr


def test_wrong_key_in_exam_toml(clutchlight: Clutchlight, root: Path, tmp_path: Path) -> None:
    side = root / "AF-0002/2026-05-14/exam.toml"
    side.write_text(side.read_text().replace("carapace_width_mm", "carapace_widht_mm"))
    done = clutchlight("batch", root, "--out", tmp_path / "out")
    assert done.code == ExitCode.SOME_UNUSABLE
    messages = [line for line in done.stderr.splitlines() if str(side) in line]
    assert len(messages) == 1
    assert f"{side}, line 3" in messages[0]
    assert "carapace_widht_mm" in messages[0]
    assert "carapace_width_mm" in messages[0]
    assert not (tmp_path / "out/AF-0002").exists()
    assert_good_exam_done(tmp_path / "out")


def test_unknown_species_is_a_flag_on_the_sheet(clutchlight: Clutchlight, root: Path, tmp_path: Path) -> None:
    side = root / "AF-0002/2026-05-14/exam.toml"
    side.write_text('species = "Testudo imaginaria"\n' + side.read_text())
    done = clutchlight("batch", root, "--out", tmp_path / "out")
    assert done.code == ExitCode.DONE
    document = json.loads((tmp_path / "out/AF-0002/2026-05-14/result.json").read_text())
    assert document["species"] == "Testudo imaginaria"
    flags = {flag["code"]: flag["reason"] for flag in document["flags"]}
    assert "Testudo imaginaria" in flags["unknown-species"]


def test_two_exams_of_one_animal_and_date(clutchlight: Clutchlight, root: Path, tmp_path: Path) -> None:
    shutil.copytree(root / "AF-0002", root / "copy of AF-0002")
    done = clutchlight("batch", root, "--out", tmp_path / "out")
    assert done.code == ExitCode.SOME_UNUSABLE
    assert str(root / "copy of AF-0002/2026-05-14") in done.stderr
    assert str(root / "AF-0002/2026-05-14") in done.stderr
    assert "same animal" in done.stderr
    assert not (tmp_path / "out/AF-0002").exists()
    assert_good_exam_done(tmp_path / "out")


def test_output_folder_that_cannot_be_created(clutchlight: Clutchlight, root: Path, tmp_path: Path) -> None:
    (tmp_path / "file").write_text("in the way")
    done = clutchlight("batch", root, "--out", tmp_path / "file/out")
    assert done.code == ExitCode.USAGE
    assert f"{tmp_path / 'file/out'}" in done.stderr
    assert "--out" in done.stderr


DISK_KB = 2048


@pytest.fixture
def any_space(tmp_path: Path) -> Path:
    """Settings with which a night begins on the fullest disk."""
    path = tmp_path / "any_space.toml"
    path.write_text("[night]\nminimum_free_gb = 0.0\nminimum_free_files = 0\n")
    return path


@pytest.fixture
def small_disk(tmp_path: Path) -> Iterator[Path]:
    """A file system of 2 MiB, if this machine allows mounting one."""
    disk = tmp_path / "disk"
    disk.mkdir()
    mount = ["mount", "-t", "tmpfs", "-o", f"size={DISK_KB}k", "tmpfs", str(disk)]
    if shutil.which("mount") is None or subprocess.run(mount, capture_output=True, check=False).returncode:
        pytest.skip("file systems cannot be mounted here")
    yield disk
    subprocess.run(["umount", "-l", str(disk)], check=True)


def test_read_only_disk(clutchlight: Clutchlight, root: Path, small_disk: Path, any_space: Path) -> None:
    subprocess.run(["mount", "-o", "remount,ro", str(small_disk)], check=True)
    done = clutchlight("batch", root, "--out", small_disk / "out", "--settings", any_space)
    assert done.code == ExitCode.USAGE
    assert str(small_disk / "out") in done.stderr
    assert "--out" in done.stderr


def test_disk_that_became_read_only_between_two_runs(
    clutchlight: Clutchlight, root: Path, small_disk: Path, any_space: Path
) -> None:
    out = small_disk / "out"
    assert clutchlight("batch", root, "--out", out, "--settings", any_space).code == ExitCode.DONE
    subprocess.run(["mount", "-o", "remount,ro", str(small_disk)], check=True)
    done = clutchlight("batch", root, "--out", out, "--settings", any_space)
    assert done.code == ExitCode.USAGE
    assert str(out) in done.stderr
    assert_good_exam_done(out)


def placeless(data: bytes) -> bytes:
    """A file without the time at which the run ended, and without the folder of the recordings."""
    return re.sub(rb" under [^<]*", b"", without_run_time(data))


@pytest.mark.parametrize("free_kb", [4, 90, 200, 300])
def test_no_space_left_at_any_moment(
    clutchlight: Clutchlight, root: Path, fresh: Path, small_disk: Path, any_space: Path, free_kb: int
) -> None:
    filler = small_disk / "filler"
    filler.write_bytes(bytes((DISK_KB - free_kb) * 1024))
    out = small_disk / "out"
    done = clutchlight("batch", root, "--out", out, "--settings", any_space)
    assert done.code in (ExitCode.UNEXPECTED, ExitCode.USAGE), done.stderr
    assert "space" in done.stderr
    assert str(small_disk) in done.stderr
    assert "Traceback" not in done.stderr
    assert_nothing_half_written(out)
    filler.unlink()
    assert clutchlight("batch", root, "--out", out, "--settings", any_space).code == ExitCode.DONE
    for path in fresh.rglob("*.*"):
        if path.suffix in (".json", ".html", ".csv", ".txt") and path.name != "night.json":
            assert placeless((out / path.relative_to(fresh)).read_bytes()) == placeless(path.read_bytes()), path


def test_no_space_for_one_exam_does_not_stop_the_other(
    clutchlight: Clutchlight, root: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    out, original = tmp_path / "out", Path.replace

    def replace(self: Path, target: Path) -> Path:
        if "AF-0001" in str(target):
            raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC), str(target))
        return original(self, target)

    with monkeypatch.context() as patches:
        patches.setattr(Path, "replace", replace)
        done = clutchlight("batch", root, "--out", out)
    assert done.code == ExitCode.UNEXPECTED
    assert "AF-0001 2026-05-14: failed." in done.stderr
    assert str(out / "AF-0001/2026-05-14") in done.stderr
    assert "no space is left on the disk. Free some space, then run again" in done.stderr
    assert (out / "AF-0002/2026-05-14/result.json").is_file()
    assert not list((out / "AF-0001").rglob("*.*"))
    assert_nothing_half_written(out)
    assert clutchlight("batch", root, "--out", out).code == ExitCode.DONE
    assert_good_exam_done(out)
