"""The commands that measure what counts depend on, with the blob finder."""

from __future__ import annotations

import json
from pathlib import Path

import pytest

from pipeline.cli.exit_codes import ExitCode
from tests.pipeline.bench.data_set_files import DATE, object_annotation, write_truth
from tests.pipeline.blob_finder import write_exam_folder
from tests.pipeline.conftest import Clutchlight

ANIMALS = ("AF-0001", "AF-0002")
FRAMES = 40


@pytest.fixture(scope="module")
def data_set(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Two animals of different hands, each with one egg and no turn."""
    folder = tmp_path_factory.mktemp("data") / "set"
    eggs = [
        object_annotation(number * FRAMES + frame + 1, 3, [40.0, 50.0, 12.0, 12.0, 0.0], track=1, depth_mm=20.0)
        for number in range(len(ANIMALS))
        for frame in range(15, 25)
    ]
    for seed, animal in enumerate(ANIMALS):
        write_exam_folder(folder, animal, {"left-1.mp4": 1}, date=DATE, seed=seed)
    write_truth(folder, eggs, animals=ANIMALS, frames=FRAMES, carried=1, crossed=1, mm_per_px=0.5)
    path = folder / "animals.json"
    animals = json.loads(path.read_text())
    for animal, hand in zip(ANIMALS, ("sweeping", "fanning"), strict=True):
        animals[animal]["objects"] = [{"id": 1, "stage": "calcified", "seen": True}]
        animals[animal]["world"] = {"hand": hand}
        animals[animal]["clips"]["left-1.mp4"]["turns"] = []
    path.write_text(json.dumps(animals))
    return folder


def test_frame_rates(clutchlight: Clutchlight, data_set: Path, tmp_path: Path) -> None:
    done = clutchlight("bench", "frame-rates", data_set, "--out", tmp_path)
    assert (done.code, done.stderr) == (ExitCode.DONE, "Reading set at each rate\n")
    assert done.stdout.startswith("set: 2 animals\n")
    (written,) = json.loads((tmp_path / "frame-rates.json").read_text())
    assert [rate["stride"] for rate in written["rates"]] == [1, 2, 3, 5]


def test_worlds(clutchlight: Clutchlight, data_set: Path, tmp_path: Path) -> None:
    done = clutchlight("bench", "worlds", data_set, "--out", tmp_path, "--quiet")
    assert (done.code, done.stderr) == (ExitCode.DONE, "")
    assert "hand: fanning" in done.stdout
    written = json.loads((tmp_path / "worlds.json").read_text())
    assert [(each["value"], each["learned_from"], each["animals"]) for each in written] == [
        ("fanning", 1, 1),
        ("sweeping", 1, 1),
        ("each in turn", 2, 2),
    ]


def test_turns(clutchlight: Clutchlight, data_set: Path, tmp_path: Path) -> None:
    done = clutchlight("bench", "turns", data_set, "--out", tmp_path, "--quiet", "--json")
    assert done.code == ExitCode.DONE
    (written,) = json.loads(done.stdout)
    assert (written["name"], written["clips"], written["clips_without"], written["given_one"]) == ("set", 2, 2, 0.0)
