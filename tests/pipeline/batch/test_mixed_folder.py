"""One folder with every kind of recording that is accepted and every kind of file that is not, in one run.

The real command line reads it in a separate process, under limits of time and memory.
"""

from __future__ import annotations

import json
import os
import shutil
import struct
import subprocess
import sys
import zlib
from collections.abc import Callable
from pathlib import Path
from typing import Any

import cv2
import numpy as np
import pytest
from pydicom.uid import DeflatedExplicitVRLittleEndian

from pipeline.batch.run import run_batch
from pipeline.settings import load_settings
from tests.pipeline.blob_finder import BlobFinder, film, write_exam_folder, write_video
from tests.pipeline.ingest.dicom.dicom_files import make_dataset, write_uncompressed_dicom
from tests.pipeline.ingest.video_files import encode_video as write_coded

REPOSITORY = Path(__file__).parents[3]
DAY = "2026-05-14"
SECONDS, BYTES = 300, 2**30  # enough on a busy machine
PACKED_BYTES = 10**8
# With the blob finder instead of the network.
PROGRAM = f"""
import resource, sys
resource.setrlimit(resource.RLIMIT_DATA, ({BYTES}, {BYTES}))
from tests.pipeline.blob_finder import main
sys.exit(main())
"""
# Root may read what nobody may; without these capabilities it is like everybody else.
AS_ANYBODY = ("setpriv", "--bounding-set=-dac_override,-dac_read_search") if os.geteuid() == 0 else ()


def frames(seed: int, number: int = 14) -> list[np.ndarray]:
    return film(2, frames=number, seed=seed)


def coded(codec: str, pixels: str = "yuv420p") -> Callable[[Path], object]:
    return lambda path: write_coded(path, codec, frames(sum(path.name.encode())), pixels)


def gif(path: Path) -> None:
    write_coded(path, "gif", frames(8), "gray")


def dicom(path: Path) -> None:
    write_uncompressed_dicom(path, np.stack(frames(9)))


def stills(path: Path) -> None:
    path.mkdir()
    for number, picture in enumerate(frames(10), 1):
        cv2.imwrite(str(path / f"{number}.png"), picture)


GOOD: dict[str, Callable[[Path], object]] = {
    "left-1.mp4": coded("libx264"),
    "left-2.mkv": coded("libx265"),
    "left-3.avi": coded("mjpeg", "yuvj420p"),
    "left-4.MPG": coded("mpeg2video"),
    "left-5.mov": coded("mpeg4"),
    "left-6.wmv": coded("wmv2"),
    "left-7.mkv": coded("ffv1"),
    "left-8.gif": gif,
    "IM_0001": dicom,
    "right-1": stills,
}


def png_chunk(kind: bytes, data: bytes) -> bytes:
    return struct.pack(">I", len(data)) + kind + data + struct.pack(">I", zlib.crc32(kind + data))


def huge_png(path: Path) -> None:
    """100,000 x 100,000 pixels declared."""
    head = struct.pack(">IIBBBBB", 100_000, 100_000, 8, 0, 0, 0, 0)
    path.write_bytes(b"\x89PNG\r\n\x1a\n" + png_chunk(b"IHDR", head) + png_chunk(b"IDAT", zlib.compress(bytes(1000))))


def packed_png(path: Path) -> None:
    """A small picture with a comment a thousand times its size."""
    picture = cv2.imencode(".png", frames(11)[5])[1].tobytes()
    comment = png_chunk(b"zTXt", b"Comment\0\0" + zlib.compress(bytes(PACKED_BYTES), 9))
    path.write_bytes(picture[:33] + comment + picture[33:])  # after the header


def packed_dicom(path: Path) -> None:
    """Compressed as a whole (PS3.5 section A.5)."""
    made = make_dataset(np.zeros((1, 8, 8), np.uint8), DeflatedExplicitVRLittleEndian)
    made.PixelData = bytes(PACKED_BYTES)
    made["PixelData"].VR = "OB"
    made.save_as(path, enforce_file_format=True)


def truncated_dicom(path: Path) -> None:
    write_uncompressed_dicom(path, Rows=4000, Columns=4000)


def contradictory_dicom(path: Path) -> None:
    write_uncompressed_dicom(path, PhotometricInterpretation="RGB")


def locked(path: Path) -> None:
    intact(path)
    path.chmod(0)


def intact(path: Path) -> None:
    write_video(path, frames(sum(path.name.encode())))


def cut_off(path: Path) -> None:
    intact(path)
    path.write_bytes(path.read_bytes()[: path.stat().st_size // 2])


def link_to_outside(path: Path) -> None:
    outside = path.parents[3] / "outside.mp4"
    write_video(outside, frames(13))
    path.symlink_to(outside)


# By name: how it is made, and what its reason must say (what is wrong, and what to do).
BAD: dict[str, tuple[Callable[[Path], object], str, str]] = {
    "notes.mp4": (lambda path: path.write_text("Left window, three eggs.\n" * 40), "text file", "copy the clip"),
    "noise.avi": (
        lambda path: path.write_bytes(bytes(range(256)) * 40),
        "not a supported video format",
        "export it as MP4",
    ),
    "empty.wmv": (lambda path: path.touch(), "the file is empty", "copy the clip from the scanner again"),
    "cut.mp4": (cut_off, "cut off", "copy it from the scanner again"),
    "old.zip": (lambda path: path.write_bytes(b"PK\x03\x04" + bytes(60)), "a packed archive", "unpack it"),
    "huge.png": (huge_png, "far too large", "export it in a smaller size"),
    "packed.png": (packed_png, "no picture that can be read", "copy it again"),
    "packed.dcm": (packed_dicom, "packed as a whole (deflated)", "export"),
    "short.dcm": (truncated_dicom, "cut short within its first picture", "copy it from the scanner again"),
    "contrary.dcm": (contradictory_dicom, "not one picture can be read", "export it again"),
    "out.mp4": (link_to_outside, "a link that leads out of the recordings' folder", "copy the file itself"),
    "gone.mp4": (lambda path: path.symlink_to("nothing.mp4"), "a link that leads nowhere", "copy the file itself"),
    "pipe.mp4": (lambda path: os.mkfifo(path), "not a regular file", "remove it"),
    "le\tft\x1b[31m.mp4": (intact, "its name holds control or invisible characters", "rename it"),
    "locked.mp4": (locked, "Permission denied", "check its permissions"),
    "tiny.mp4": (lambda path: write_coded(path, "mpeg4", [np.full((8, 8), 90, np.uint8)] * 9), "8 x 8", "full size"),
    "dark.mp4": (lambda path: write_video(path, [np.zeros((160, 192), np.uint8)] * 9), "9 too dark", "more gain"),
    "left-1 copy.mp4": (
        lambda path: shutil.copy(path.with_name("left-1.mp4"), path),
        "the same recording as left-1.mp4",
        "remove one",
    ),
    "new.mp4": (cut_off, "may still be being copied", "the next run tries again"),
}
IGNORED = ("DICOMDIR", "Thumbs.db", "notes.txt", ".hidden.mp4")
"""Files that are not recordings."""


def escaped(name: str) -> str:
    return name.replace("\t", r"\t").replace("\x1b", r"\x1b")


def contents(root: Path) -> dict[str, bytes | None]:
    return {
        str(path.relative_to(root)): path.read_bytes() if path.is_file() and not path.is_symlink() else None
        for path in sorted(root.rglob("*"))
    }


def run_batch_in_a_process(root: Path, out: Path) -> subprocess.CompletedProcess[str]:
    return subprocess.run(
        [*AS_ANYBODY, sys.executable, "-c", PROGRAM, "batch", str(root), "--out", str(out), "--json"],
        cwd=REPOSITORY,
        env=os.environ | {"PYTHONPATH": str(REPOSITORY), "COLUMNS": "200", "OMP_NUM_THREADS": "1"},
        capture_output=True,
        text=True,
        timeout=SECONDS,
        check=False,
    )


@pytest.fixture(scope="module")
def finished_run(tmp_path_factory: pytest.TempPathFactory) -> dict[str, Any]:
    """A run over the folder, and over another animal with good clips only."""
    base = tmp_path_factory.mktemp("run")
    root = base / "root"
    write_exam_folder(root, "AF-0001", {"left-1.mp4": 2, "right-1.mp4": 3})
    folder = root / "AF-0002" / DAY
    folder.mkdir(parents=True)
    for name, make in GOOD.items():
        make(folder / name)
    for name, (make_bad, _, _) in BAD.items():
        make_bad(folder / name)
    for name in IGNORED:
        (folder / name).write_bytes(b"nothing to see" * 20)
    for path in root.rglob("*"):
        if path.exists() and not path.is_symlink() and path.name != "new.mp4":
            os.utime(path, (1.7e9, 1.7e9))  # long ago, so not still being copied
    shutil.copytree(root / "AF-0001", base / "alone" / "AF-0001")
    before = contents(root)
    done = run_batch_in_a_process(root, base / "out")
    return {"base": base, "before": before, "after": contents(root), "done": done}


def test_run_ends_and_says_that_some_clips_could_not_be_used(finished_run: dict[str, Any]) -> None:
    done = finished_run["done"]
    assert done.returncode == 3, done.stderr
    assert "Traceback" not in done.stderr
    assert all(line.isprintable() for line in (done.stdout + done.stderr).splitlines())
    assert finished_run["before"] == finished_run["after"]


def test_every_refused_recording_has_a_reason_that_says_what_to_do(finished_run: dict[str, Any]) -> None:
    report = json.loads(finished_run["done"].stdout)
    (exam,) = [exam for exam in report["exams"] if exam["animal"] == "AF-0002"]
    clips = {clip["file"]: clip for clip in exam["clips"]}
    assert set(clips) == {escaped(name) for name in (*GOOD, *BAD)}
    assert {name for name, clip in clips.items() if clip["status"] == "read"} == set(GOOD)
    assert report["problems"] == []
    wrong = {
        name: clips[escaped(name)]
        for name, (_, what, advice) in BAD.items()
        if clips[escaped(name)]["status"] != "refused"
        or what not in clips[escaped(name)]["reason"]
        or advice not in clips[escaped(name)]["reason"]
    }
    assert wrong == {}
    for name in BAD:
        (line,) = [line for line in finished_run["done"].stderr.splitlines() if f"/{escaped(name)}: " in line]
        assert clips[escaped(name)]["reason"] in line


def test_sheet_lists_every_recording_with_its_reason(finished_run: dict[str, Any]) -> None:
    folder = finished_run["base"] / "out" / "AF-0002" / DAY
    result = json.loads((folder / "result.json").read_text())
    assert {clip["file"]: clip["status"] for clip in result["clips"]} == {
        escaped(name): "refused" if name in BAD else "done" for name in (*GOOD, *BAD)
    }
    flagged = [flag["reason"] for flag in result["flags"] if flag["code"] == "clip-refused"]
    assert len(flagged) == len(BAD)
    assert "outside" not in json.dumps(result)


def test_other_exams_are_not_affected(finished_run: dict[str, Any]) -> None:
    """The other animal has the same results as in a run of her own."""
    base = finished_run["base"]
    run_batch(base / "alone", base / "alone-out", load_settings(), BlobFinder)
    together, alone = (base / out / "AF-0001" / DAY for out in ("out", "alone-out"))
    assert contents(together) == contents(alone)
    assert [clip["status"] for clip in json.loads((together / "result.json").read_text())["clips"]] == ["done", "done"]
