"""A folder as a technician leaves it: every format that clinics record and every fault, in one nightly run.

The real command line reads it in its own process, under limits of time and memory.
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
from tests.pipeline.ingest.video_files import encode_video

REPOSITORY = Path(__file__).parents[3]
DAY = "2026-05-14"
MAX_SECONDS, MAX_BYTES = 300, 2**30  # enough for a busy machine
BOMB_BYTES = 10**8  # decompressed
# The blob finder replaces the network. One file cannot be opened; file permissions cannot do this for a root user.
PROGRAM = f"""
import resource, sys
from pathlib import Path
resource.setrlimit(resource.RLIMIT_DATA, ({MAX_BYTES}, {MAX_BYTES}))
from tests.pipeline.blob_finder import main

def deny_locked_file():
    original = Path.open
    def guarded(self, *arguments, **options):
        if self.name == "locked.mp4":
            raise PermissionError(13, "Permission denied", str(self))
        return original(self, *arguments, **options)
    Path.open = guarded

sys.exit(main(deny_locked_file))
"""


def frames(seed: int, number: int = 14) -> list[np.ndarray]:
    return film(2, frames=number, seed=seed)


def video(codec: str, pixels: str = "yuv420p") -> Callable[[Path], object]:
    return lambda path: encode_video(path, codec, frames(sum(path.name.encode())), pixels)


def gif(path: Path) -> None:
    encode_video(path, "gif", frames(8), "gray")


def dicom(path: Path) -> None:
    write_uncompressed_dicom(path, np.stack(frames(9)))


def stills(path: Path) -> None:
    path.mkdir()
    for number, picture in enumerate(frames(10), 1):
        cv2.imwrite(str(path / f"{number}.png"), picture)


GOOD: dict[str, Callable[[Path], object]] = {
    "left-1.mp4": video("libx264"),
    "left-2.mkv": video("libx265"),
    "left-3.avi": video("mjpeg", "yuvj420p"),
    "left-4.MPG": video("mpeg2video"),
    "left-5.mov": video("mpeg4"),
    "left-6.wmv": video("wmv2"),
    "left-7.mkv": video("ffv1"),
    "left-8.gif": gif,
    "IM_0001": dicom,
    "right-1": stills,
}


def png_chunk(kind: bytes, data: bytes) -> bytes:
    return struct.pack(">I", len(data)) + kind + data + struct.pack(">I", zlib.crc32(kind + data))


def huge_png(path: Path) -> None:
    """A header that declares 100,000 x 100,000 pixels."""
    head = struct.pack(">IIBBBBB", 100_000, 100_000, 8, 0, 0, 0, 0)
    path.write_bytes(b"\x89PNG\r\n\x1a\n" + png_chunk(b"IHDR", head) + png_chunk(b"IDAT", zlib.compress(bytes(1000))))


def bomb_png(path: Path) -> None:
    """A small picture with a comment that decompresses to a thousand times its size."""
    picture = cv2.imencode(".png", frames(11)[5])[1].tobytes()
    comment = png_chunk(b"zTXt", b"Comment\0\0" + zlib.compress(bytes(BOMB_BYTES), 9))
    path.write_bytes(picture[:33] + comment + picture[33:])  # after the header


def deflated_dicom(path: Path) -> None:
    """A deflated file (PS3.5 section A.5)."""
    dataset = make_dataset(np.zeros((1, 8, 8), np.uint8), DeflatedExplicitVRLittleEndian)
    dataset.PixelData = bytes(BOMB_BYTES)
    dataset["PixelData"].VR = "OB"
    dataset.save_as(path, enforce_file_format=True)


def truncated_dicom(path: Path) -> None:
    write_uncompressed_dicom(path, Rows=4000, Columns=4000)


def contradictory_dicom(path: Path) -> None:
    write_uncompressed_dicom(path, PhotometricInterpretation="RGB")


def intact_video(path: Path) -> None:
    write_video(path, frames(sum(path.name.encode())))


def truncated_video(path: Path) -> None:
    intact_video(path)
    path.write_bytes(path.read_bytes()[: path.stat().st_size // 2])


def link_outside(path: Path) -> None:
    target = path.parents[3] / "outside.mp4"
    write_video(target, frames(13))
    path.symlink_to(target)


# For each name: how the file is made, and what its reason must say, the fault and the advice.
BAD: dict[str, tuple[Callable[[Path], object], str, str]] = {
    "notes.mp4": (lambda path: path.write_text("Left window, three eggs.\n" * 40), "text file", "copy the clip"),
    "noise.avi": (
        lambda path: path.write_bytes(bytes(range(256)) * 40),
        "not a supported video format",
        "export it as MP4",
    ),
    "empty.wmv": (lambda path: path.touch(), "the file is empty", "copy the clip from the scanner again"),
    "cut.mp4": (truncated_video, "cut off", "copy it from the scanner again"),
    "old.zip": (lambda path: path.write_bytes(b"PK\x03\x04" + bytes(60)), "a packed archive", "unpack it"),
    "huge.png": (huge_png, "far too large", "export it in a smaller size"),
    "packed.png": (bomb_png, "no picture that can be read", "copy it again"),
    "packed.dcm": (deflated_dicom, "the whole file is compressed (deflated)", "export"),
    "short.dcm": (truncated_dicom, "cut short within its first picture", "copy it from the scanner again"),
    "contrary.dcm": (contradictory_dicom, "not one picture can be read", "export it again"),
    "out.mp4": (link_outside, "a link that leads out of the recordings' folder", "copy the file itself"),
    "gone.mp4": (lambda path: path.symlink_to("nothing.mp4"), "a link that leads nowhere", "copy the file itself"),
    "pipe.mp4": (lambda path: os.mkfifo(path), "no ordinary file", "remove it"),
    "le\tft\x1b[31m.mp4": (intact_video, "its name holds control characters", "rename it"),
    "locked.mp4": (intact_video, "Permission denied", "check its permissions"),
    "tiny.mp4": (lambda path: encode_video(path, "mpeg4", [np.full((8, 8), 90, np.uint8)] * 9), "8 x 8", "full size"),
    "dark.mp4": (lambda path: write_video(path, [np.zeros((160, 192), np.uint8)] * 9), "9 too dark", "more gain"),
    "left-1 copy.mp4": (
        lambda path: shutil.copy(path.with_name("left-1.mp4"), path),
        "the same recording as left-1.mp4",
        "remove one",
    ),
    "new.mp4": (truncated_video, "may still be on its way here", "the next run looks again"),
}
IGNORED = ("DICOMDIR", "Thumbs.db", "notes.txt", ".hidden.mp4")  # files that are not recordings


def printable(name: str) -> str:
    return name.replace("\t", r"\t").replace("\x1b", r"\x1b")


def contents(root: Path) -> dict[str, bytes | None]:
    return {
        str(path.relative_to(root)): path.read_bytes() if path.is_file() and not path.is_symlink() else None
        for path in sorted(root.rglob("*"))
    }


def run(root: Path, out: Path) -> subprocess.CompletedProcess[str]:
    return subprocess.run(
        [sys.executable, "-c", PROGRAM, "batch", str(root), "--out", str(out), "--json"],
        cwd=REPOSITORY,
        env=os.environ | {"PYTHONPATH": str(REPOSITORY), "COLUMNS": "200", "OMP_NUM_THREADS": "1"},
        capture_output=True,
        text=True,
        timeout=MAX_SECONDS,
        check=False,
    )


@pytest.fixture(scope="module")
def nightly_run(tmp_path_factory: pytest.TempPathFactory) -> dict[str, Any]:
    """The nightly run over the folder and over an animal whose files are all intact."""
    base = tmp_path_factory.mktemp("nightly_run")
    root = base / "root"
    write_exam_folder(root, "AF-0001", {"left-1.mp4": 2, "right-1.mp4": 3})
    folder = root / "AF-0002" / DAY
    folder.mkdir(parents=True)
    for name, make in GOOD.items():
        make(folder / name)
    for name, (make_bad, _, _) in BAD.items():
        make_bad(folder / name)
    for name in IGNORED:
        (folder / name).write_bytes(b"not a recording" * 20)
    for path in root.rglob("*"):
        if path.exists() and not path.is_symlink() and path.name != "new.mp4":
            os.utime(path, (1.7e9, 1.7e9))  # long ago: not still being copied
    shutil.copytree(root / "AF-0001", base / "alone" / "AF-0001")
    before = contents(root)
    done = run(root, base / "out")
    return {"base": base, "before": before, "after": contents(root), "done": done}


def test_the_run_ends_with_the_exit_code_for_refused_clips(nightly_run: dict[str, Any]) -> None:
    done = nightly_run["done"]
    assert done.returncode == 3, done.stderr
    assert "Traceback" not in done.stderr
    assert all(line.isprintable() for line in (done.stdout + done.stderr).splitlines())
    assert nightly_run["before"] == nightly_run["after"]


def test_every_recording_has_a_status_and_every_refusal_a_reason_with_advice(nightly_run: dict[str, Any]) -> None:
    report = json.loads(nightly_run["done"].stdout)
    (exam,) = [exam for exam in report["exams"] if exam["animal"] == "AF-0002"]
    clips = {clip["file"]: clip for clip in exam["clips"]}
    assert set(clips) == {printable(name) for name in (*GOOD, *BAD)}
    assert {name for name, clip in clips.items() if clip["status"] == "read"} == set(GOOD)
    assert report["problems"] == []
    wrong = {
        name: clips[printable(name)]
        for name, (_, fault, advice) in BAD.items()
        if clips[printable(name)]["status"] != "refused"
        or fault not in clips[printable(name)]["reason"]
        or advice not in clips[printable(name)]["reason"]
    }
    assert wrong == {}
    for name in BAD:
        (line,) = [line for line in nightly_run["done"].stderr.splitlines() if f"/{printable(name)}: " in line]
        assert clips[printable(name)]["reason"] in line


def test_the_sheet_lists_every_refused_clip_with_its_reason(nightly_run: dict[str, Any]) -> None:
    folder = nightly_run["base"] / "out" / "AF-0002" / DAY
    result = json.loads((folder / "result.json").read_text())
    assert {clip["file"]: clip["status"] for clip in result["clips"]} == {
        printable(name): "refused" if name in BAD else "done" for name in (*GOOD, *BAD)
    }
    flagged = [flag["reason"] for flag in result["flags"] if flag["code"] == "clip-refused"]
    assert len(flagged) == len(BAD)
    assert "outside" not in json.dumps(result)


def test_other_animals_are_not_affected(nightly_run: dict[str, Any]) -> None:
    """The intact animal gets the same results as in a run of her own."""
    base = nightly_run["base"]
    run_batch(base / "alone", base / "alone-out", load_settings(), BlobFinder)
    with_others, alone = (base / out / "AF-0001" / DAY for out in ("out", "alone-out"))
    assert contents(with_others) == contents(alone)
    assert [clip["status"] for clip in json.loads((with_others / "result.json").read_text())["clips"]] == [
        "done",
        "done",
    ]
