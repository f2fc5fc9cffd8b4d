"""``clutchlight bench compare`` with the blob finder as our detector."""

from __future__ import annotations

import json
from pathlib import Path

import pytest

from pipeline.cli.exit_codes import ExitCode
from tests.pipeline.bench.data_set_files import DATE, object_annotation, write_truth
from tests.pipeline.blob_finder import write_exam_folder
from tests.pipeline.conftest import Clutchlight

ANIMALS, FRAMES = ("AF-0001", "AF-0002"), 40
ROUND = [40.0, 50.0, 12.0, 12.0, 0.0]


def write_data_set(folder: Path, seed: int) -> Path:
    """Two animals, each with one bright ring in ten frames."""
    for number, animal in enumerate(ANIMALS):
        write_exam_folder(folder, animal, {"left-1.mp4": 1}, date=DATE, seed=seed + number)
    eggs = [
        object_annotation(number * FRAMES + frame + 1, 3, ROUND, ignored=frame not in range(15, 25), track=1)
        for number in range(len(ANIMALS))
        for frame in range(FRAMES)
    ]
    write_truth(folder, eggs, animals=ANIMALS, frames=FRAMES, carried=1, crossed=1)
    return folder


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    path = tmp_path_factory.mktemp("data")
    write_data_set(path / "set", 0)
    write_data_set(path / "tuning", 10)
    (path / "theirs.csv").write_text(f"animal,date,shelled\nAF-0001,{DATE},3\n")
    return path


def test_ours_peers_and_results_of_others_stand_in_one_table(
    clutchlight: Clutchlight, folder: Path, tmp_path: Path
) -> None:
    options = ["--tune-on", folder / "tuning", "--tries", 3, "--tuning-frames", 20, "--resamples", 50]
    peer = "pipeline.bench.peers.hough_circles:find"
    arguments = ["bench", "compare", folder / "set", "--out", tmp_path, "--method", peer, *options]
    done = clutchlight(*arguments, "--results", f"them={folder / 'theirs.csv'}", "--quiet")
    assert (done.code, done.stderr) == (ExitCode.DONE, "")
    written = json.loads((tmp_path / "comparison.json").read_text())
    entries = {each["name"]: each for each in written["entries"]}
    assert next(iter(entries)) == "ours"
    assert {"hough_circles", "them", "ours, most in one frame"} <= set(entries)
    assert entries["ours"]["figures"]["AP50"]["value"] == pytest.approx(1.0)
    assert entries["them"]["counted"] == 1
    assert entries["them"]["figures"]["count error"]["value"] == 2.0
    settings = entries["hough_circles"]["settings"]
    assert (settings["tuned on"], settings["tries"]) == ("20 frames of tuning", 3)
    assert "hough_circles: blur_px" in done.stdout
    assert entries["hough_circles"]["cost"]["frames"] == entries["ours"]["cost"]["frames"] == 80
    assert (tmp_path / "report.html").exists()


def test_what_is_measured_is_not_tuned_on(clutchlight: Clutchlight, folder: Path, tmp_path: Path) -> None:
    done = clutchlight("bench", "compare", folder / "set", "--tune-on", folder / "set", "--out", tmp_path)
    assert done.code == ExitCode.USAGE
    assert "--tune-on needs another data set" in done.stderr
