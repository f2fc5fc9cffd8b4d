"""The environment of the peers: what is installed into it, and what it takes from here."""

from __future__ import annotations

import json
import venv
from collections.abc import Sequence
from pathlib import Path

import pytest

import pipeline
from configs.reading import config_path
from pipeline.bench.ground_truth import open_data_set
from pipeline.bench.peers.environment import (
    PeersEnvironmentError,
    environment_python,
    make_environment,
    run_in_environment,
)
from pipeline.cli.bench_compare_command import _entries_of_others
from pipeline.cli.exit_codes import ExitCode
from pipeline.cli.method_runner import method_runs
from tests.pipeline.bench.data_set_files import DATE, object_annotation, write_truth
from tests.pipeline.bench.peers.peers_python import peers_python
from tests.pipeline.blob_finder import write_exam_folder
from tests.pipeline.conftest import Clutchlight


@pytest.fixture
def without_pip(monkeypatch: pytest.MonkeyPatch) -> None:
    """pip itself takes seconds to install, and nothing here runs it."""
    monkeypatch.setattr("pipeline.bench.peers.environment.venv.create", lambda path, with_pip: venv_without_pip(path))


venv_without_pip = venv.EnvBuilder(with_pip=False).create


@pytest.mark.usefixtures("without_pip")
def test_opencv_comes_last_and_this_program_is_there(tmp_path: Path) -> None:
    commands: list[Sequence[str]] = []
    python = make_environment(tmp_path / "peers", commands.append)
    first, last = commands
    assert first[:4] == last[:4] == [str(python), "-m", "pip", "install"]
    assert any(each.startswith("datumaro==") for each in first)
    assert not any(each.startswith("opencv") for each in first)
    assert "--force-reinstall" in last
    assert last[-1].startswith("opencv-contrib-python-headless==")
    pins = [line for line in config_path("peers.txt").read_text().splitlines() if not line.startswith("#")]
    assert [each for each in (*first, *last) if "==" in each] == pins
    program = "import numpy, pipeline, sys; print(sys.prefix); print(pipeline.__file__)"
    prefix, place = run_in_environment(python, ["-c", program]).splitlines()
    assert (Path(prefix), place) == (tmp_path / "peers", pipeline.__file__)


def test_a_missing_environment_and_a_failing_program_are_explained(tmp_path: Path) -> None:
    with pytest.raises(PeersEnvironmentError, match="Run: clutchlight bench peers-environment"):
        environment_python(tmp_path)
    (tmp_path / "bin").mkdir()
    fails = tmp_path / "bin" / "python"
    fails.write_text("#!/bin/sh\necho first >&2\necho no such thing >&2\nexit 3\n")
    fails.chmod(0o755)
    with pytest.raises(PeersEnvironmentError, match="-c x fails:\nfirst\nno such thing"):
        run_in_environment(environment_python(tmp_path), ["-c", "x"])


@pytest.fixture(scope="module")
def data_set(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """One animal with a bright ring that is in the picture in ten frames."""
    folder = tmp_path_factory.mktemp("data") / "set"
    write_exam_folder(folder, "AF-0001", {"left-1.mp4": 1}, date=DATE)
    eggs = [object_annotation(frame + 1, 3, [40.0, 50.0, 12.0, 12.0, 0.0], track=1) for frame in range(15, 25)]
    write_truth(folder, eggs, animals=("AF-0001",), frames=40, carried=1, crossed=1)
    return folder


def test_methods_run_without_the_batch_and_leave_results(
    clutchlight: Clutchlight, data_set: Path, tmp_path: Path
) -> None:
    hough = "pipeline.bench.peers.hough_circles:find,votes=12"
    done = clutchlight("bench", "run-methods", data_set, "--method", hough, "--out", tmp_path / "out")
    assert (done.code, done.stdout) == (ExitCode.DONE, "")
    (run,) = method_runs(tmp_path / "out")
    assert (run.name, run.learned_from, run.settings["votes"]) == ("hough_circles", "", 12.0)
    (entry,) = _entries_of_others(open_data_set(data_set), "a folder", tmp_path / "out")
    assert (entry.name, entry.counts_note, entry.settings["votes"]) == ("hough_circles", "most in one frame", 12.0)
    assert entry.cost is not None
    done = clutchlight("bench", "accuracy", data_set, "--results", run.detections, "--out", tmp_path / "measured")
    assert done.code == ExitCode.DONE
    done = clutchlight("bench", "run-methods", data_set, "--tune-on", data_set, "--out", tmp_path / "out")
    assert (done.code, "another data set" in done.stderr) == (ExitCode.USAGE, True)


def test_peers_stand_beside_ours_from_their_own_environment(
    clutchlight: Clutchlight, data_set: Path, tmp_path: Path
) -> None:
    peers = peers_python().parents[1]
    done = clutchlight("bench", "compare", data_set, "--peers", peers, "--out", tmp_path, "--resamples", 20, "--quiet")
    assert done.code == ExitCode.DONE, done.stderr
    entries = {each["name"]: each for each in json.loads((tmp_path / "comparison.json").read_text())["entries"]}
    assert {"edge_drawing", "hough_circles", "scale_space_blobs"} <= set(entries)
    assert {"ours + SORT (trackers)", "ours + norfair", "ours + laptrack"} <= set(entries)
    ours, other = (entries[name]["figures"]["HOTA"]["value"] for name in ("ours", "ours + laptrack"))
    assert other == pytest.approx(ours, abs=0.1)
