"""``clutchlight bench real-pictures`` with the blob finder."""

from __future__ import annotations

import json
from pathlib import Path

import cv2
import numpy as np

from pipeline.cli.exit_codes import ExitCode
from tests.pipeline.conftest import Clutchlight
from tests.pipeline.real_pictures.pictures import free_picture, write_look_alikes, write_ovals, write_sequence


def test_every_kind_is_measured_and_printed(clutchlight: Clutchlight, tmp_path: Path) -> None:
    write_ovals(tmp_path / "heads", with_oval=[True, True], mm_per_px=0.5, length_mm=60)
    write_look_alikes(tmp_path / "vessels")
    (tmp_path / "free").mkdir()
    cv2.imwrite(str(tmp_path / "free" / "1.png"), free_picture(1))
    (tmp_path / "sweeps").mkdir()
    write_sequence(tmp_path / "sweeps" / "a.mha", np.stack([free_picture(n) for n in range(4)]), [0, 1, 2, 3])
    folders = [
        *("--ovals", tmp_path / "heads", "--egg-free", tmp_path / "free", "--look-alikes", tmp_path / "vessels"),
        *("--tracked-sweeps", tmp_path / "sweeps", "--constructed-motion", 1),
    ]
    done = clutchlight("bench", "real-pictures", *folders, "--out", tmp_path / "out")
    assert done.code == ExitCode.DONE, done.stderr
    assert done.stdout.startswith("A detection counts from a score of 0.5.\nheads: 2 pictures of one oval")
    for text in ("found 100.0%", "arXiv 1908.02582", "#008000", "Tracked sweeps", "seed 0", "But: they were trained"):
        assert text in done.stdout
    written = json.loads((tmp_path / "out" / "real-pictures.json").read_text())
    assert written["ovals"]["heads"]["found"] == 1
    assert written["egg_free"][0]["frames"] == 1
    assert [each["ovals"] for each in written["constructed_motion"]] == [0, 1, 2]


def test_folders_must_be_named_and_fit(clutchlight: Clutchlight, tmp_path: Path) -> None:
    done = clutchlight("bench", "real-pictures", "--out", tmp_path)
    assert (done.code, "Name a folder" in done.stderr) == (ExitCode.USAGE, True)
    done = clutchlight("bench", "real-pictures", "--out", tmp_path, "--ovals", tmp_path, "--constructed-motion", 2)
    assert (done.code, "--egg-free" in done.stderr) == (ExitCode.USAGE, True)
    done = clutchlight("bench", "real-pictures", "--out", tmp_path, "--ovals", tmp_path)
    assert (done.code, "truth.csv" in done.stderr) == (ExitCode.USAGE, True)
