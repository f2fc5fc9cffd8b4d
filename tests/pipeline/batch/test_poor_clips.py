"""Clips of which little could be used: cause and advice for the next scan, in result.json and on the sheet."""

from __future__ import annotations

import html
import json
import os
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from pipeline.batch.run import run_batch
from pipeline.settings import load_settings
from tests.pipeline.blob_finder import BlobFinder, film, write_exam_folder, write_video

DARK = np.zeros_like(film(0, frames=1)[0])
POOR = "left-2.mp4: 28 of 40 frames could not be used (28 too dark)."
REFUSED = "only 2 of 40 frames could be used (38 too dark); for the next scan: more gain, and more gel."
STILL = "right-2.mp4: the picture stands still from beginning to end, so it shows no more of her than one still."


@pytest.fixture(scope="module")
def out(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """An exam with two good clips, and one each that is mostly dark, almost wholly dark, and frozen."""
    root = tmp_path_factory.mktemp("filmed")
    folder = write_exam_folder(root, "AF-0001", {"left-1.mp4": 1, "right-1.mp4": 1})
    shown = film(1)
    write_video(folder / "left-2.mp4", [*shown[:12], *[DARK] * 28])
    write_video(folder / "left-3.mp4", [*shown[:2], *[DARK] * 38])
    write_video(folder / "right-2.mp4", shown[20:21] * 20)
    for clip in folder.glob("*.mp4"):
        os.utime(clip, (1.7e9, 1.7e9))  # long ago, so it is not still being copied
    out = root.parent / "out"
    run_batch(root, out, load_settings(), BlobFinder)
    return out / "AF-0001/2026-05-14"


@pytest.fixture(scope="module")
def flags(out: Path) -> list[dict[str, Any]]:
    return list(json.loads((out / "result.json").read_text())["flags"])


def test_clip_with_few_usable_frames_is_flagged_with_cause_and_advice(out: Path, flags: list[dict[str, Any]]) -> None:
    (poor,) = [flag for flag in flags if flag["code"] == "poor-clip"]
    assert (poor["reason"], poor["advice"]) == (POOR, "For the next scan: more gain, and more gel.")
    sheet = html.unescape((out / "report.html").read_text())
    assert POOR in sheet
    assert poor["advice"] in sheet


def test_clip_with_hardly_any_usable_frame_is_refused_with_advice(out: Path, flags: list[dict[str, Any]]) -> None:
    (refused,) = [clip for clip in json.loads((out / "result.json").read_text())["clips"] if clip["reason"]]
    assert (refused["file"], refused["status"], refused["reason"]) == ("left-3.mp4", "refused", REFUSED)
    (flag,) = [flag for flag in flags if flag["code"] == "clip-refused"]
    assert flag["reason"] == f"left-3.mp4 could not be used: {REFUSED}"
    assert REFUSED in html.unescape((out / "report.html").read_text())


def test_frozen_clip_is_used_as_a_still(out: Path, flags: list[dict[str, Any]]) -> None:
    (still,) = [flag for flag in flags if flag["code"] == "stood-still"]
    assert (still["reason"], still["advice"]) == (STILL, "For the next scan: record while the picture moves.")
    assert STILL in html.unescape((out / "report.html").read_text())
