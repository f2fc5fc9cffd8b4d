"""``clutchlight calibrate``, and the batch with weights that have a calibration or none."""

from __future__ import annotations

import hashlib
import json
import re
from dataclasses import replace
from pathlib import Path

import pytest

from configs.reading import read_toml
from models.weights_file import shipped_weights, weights_sha256
from pipeline.calibration import network_calibration
from pipeline.calibration_file import calibration_path, calibration_toml, shipped_calibration
from pipeline.calibration_tables import Calibration
from pipeline.cli.exit_codes import ExitCode
from tests.pipeline.bench.data_set_files import DATE, object_annotation, write_truth
from tests.pipeline.blob_finder import write_exam_folder
from tests.pipeline.conftest import Clutchlight

FRAMES = 40


def write_data_set(folder: Path) -> Path:
    """One animal with one egg, which the blob finder finds where the ground truth has it."""
    write_exam_folder(folder, "AF-0001", {"left-1.mp4": 1}, date=DATE)
    eggs = [
        object_annotation(
            frame + 1, 3, [40.0, 50.0, 12.0, 12.0, 0.0], track=1, depth_mm=20.0, ignored=frame not in range(15, 25)
        )
        for frame in range(FRAMES)
    ]
    write_truth(folder, eggs, animals=("AF-0001",), frames=FRAMES, carried=1, crossed=1, mm_per_px=0.5)
    path = folder / "animals.json"
    animals = json.loads(path.read_text())
    animals["AF-0001"]["objects"] = [{"id": 1, "stage": "calcified", "seen": True, "axes_mm": [12.0, 12.0, 12.0]}]
    path.write_text(json.dumps(animals))
    return folder


@pytest.fixture
def few_eggs(monkeypatch: pytest.MonkeyPatch) -> None:
    """Let a network be calibrated on a single egg."""
    constants = replace(network_calibration._FIT, min_eggs_per_stage=0)
    monkeypatch.setattr(network_calibration, "_FIT", constants)


@pytest.fixture
def root(tmp_path: Path) -> Path:
    root = tmp_path / "root"
    write_exam_folder(root, "AF-0001", {"left-1.mp4": 2})
    return root


@pytest.fixture
def own_weights(tmp_path: Path) -> Path:
    """A file of bytes that stands for weights; the blob finder does not read it."""
    weights = tmp_path / "own.safetensors"
    weights.write_bytes(b"own")
    return weights


@pytest.mark.usefixtures("few_eggs")
def test_a_whole_calibration_is_learned_for_the_network_that_was_run(clutchlight: Clutchlight, tmp_path: Path) -> None:
    for_network, for_counts = write_data_set(tmp_path / "network"), write_data_set(tmp_path / "counts")
    out, results = tmp_path / "own.calibration.toml", tmp_path / "results"
    arguments = ["calibrate", for_network, "--counts-from", for_counts, "--results", results, "--out", out]
    done = clutchlight(*arguments)
    assert done.code == ExitCode.DONE, done.stderr
    # Passages are all that such an egg could show, so their number depends on the errors of the shipped network.
    assert re.search(
        "Learned stages from 2 eggs, outlines from 1,[0-9]{3} passages and counts from 1 animal", done.stdout
    )
    assert f"written to {out}" in done.stdout
    learned = read_toml(out, Calibration)
    assert learned.weights_sha256 == weights_sha256(shipped_weights())
    assert learned.command == (
        "clutchlight calibrate network --counts-from counts --results results --out own.calibration.toml"
    )
    assert (learned.network.eggs, learned.counts.animals) == (2, 1)
    assert sorted(folder.name for folder in results.iterdir()) == ["1-network", "2-counts"]
    again = clutchlight(*arguments)
    assert done.stderr.count("[1/1]") == 2
    assert "[1/1]" not in again.stderr, "an exam was looked at again"


@pytest.mark.usefixtures("few_eggs")
def test_without_other_data_sets_the_counts_are_learned_from_the_same(clutchlight: Clutchlight, tmp_path: Path) -> None:
    data_set = write_data_set(tmp_path / "set")
    out = tmp_path / "own.calibration.toml"
    done = clutchlight("calibrate", data_set, "--results", tmp_path / "results", "--out", out, "--quiet")
    assert (done.code, done.stdout) == (ExitCode.DONE, "")
    # Even then it says what could not be learned: one egg is no ten passages.
    kept = done.stderr.splitlines()
    assert [line.split(" were found. ")[0] for line in kept] == [
        "Too few passages through the middle of shelled eggs",
        "Too few passages through the middle of follicles",
    ]
    assert read_toml(out, Calibration).network.outline == shipped_calibration().network.outline
    assert read_toml(out, Calibration).counts.animals == 1


def test_too_few_eggs_are_reported_and_nothing_is_written(clutchlight: Clutchlight, tmp_path: Path) -> None:
    out = tmp_path / "own.calibration.toml"
    done = clutchlight("calibrate", write_data_set(tmp_path / "set"), "--results", tmp_path / "results", "--out", out)
    assert done.code == ExitCode.USAGE
    assert "0, 0, 1; at least 5 of each are needed" in done.stderr
    assert not out.exists()


def test_the_calibration_must_have_the_name_that_a_batch_looks_for(clutchlight: Clutchlight, tmp_path: Path) -> None:
    done = clutchlight("calibrate", tmp_path, "--results", tmp_path, "--out", tmp_path / "own.toml")
    assert done.code == ExitCode.USAGE
    assert "--out must end in .calibration.toml" in done.stderr


def test_weights_without_a_calibration_are_refused_before_anything_is_read(
    clutchlight: Clutchlight, root: Path, own_weights: Path, tmp_path: Path
) -> None:
    done = clutchlight("batch", root, "--out", tmp_path / "out", "--weights", own_weights)
    assert done.code == ExitCode.USAGE == 2
    assert f"{own_weights} has no calibration of its own" in done.stderr
    assert f"clutchlight calibrate DATASET --weights {own_weights}" in done.stderr
    assert not (tmp_path / "out").exists()


def flag_codes(out: Path) -> list[str]:
    result = json.loads((out / "AF-0001/2026-05-14/result.json").read_text())
    return [flag["code"] for flag in result["flags"]]


def test_an_allowed_uncalibrated_network_is_reported_on_stderr_in_the_report_and_on_every_sheet(
    clutchlight: Clutchlight, root: Path, own_weights: Path, tmp_path: Path
) -> None:
    out = tmp_path / "out"
    batch = ["batch", root, "--out", out, "--weights", own_weights, "--json", "--quiet"]
    done = clutchlight(*batch, "--allow-uncalibrated")
    assert done.code == ExitCode.DONE
    warning = json.loads(done.stdout)["warning"]
    assert "no calibration of its own" in warning
    assert done.stderr.strip() == warning
    assert "uncalibrated-network" in flag_codes(out)

    # Once it is calibrated the sheet is written again, without reading the clip again, and without the flag.
    shipped = shipped_calibration()
    own = shipped.model_copy(update={"weights_sha256": hashlib.sha256(b"own").hexdigest()})
    calibration_path(own_weights).write_text(calibration_toml(own), encoding="utf-8")
    done = clutchlight(*batch)
    report = json.loads(done.stdout)
    assert (done.code, done.stderr, report["warning"]) == (ExitCode.DONE, "", None)
    assert report["exams"][0]["status"] == "written"
    assert report["exams"][0]["clips"][0]["status"] == "kept"
    assert "uncalibrated-network" not in flag_codes(out)


def test_reviewed_exams_are_estimated_with_the_calibration_that_the_batch_used(
    clutchlight: Clutchlight, root: Path, own_weights: Path, tmp_path: Path
) -> None:
    out = tmp_path / "out"
    clutchlight("batch", root, "--out", out, "--weights", own_weights, "--allow-uncalibrated")
    labels = ["labels", "--out", out, "--to", tmp_path / "labels"]
    with_weights = clutchlight(*labels, "--weights", own_weights)
    assert (with_weights.code, "calibration" in with_weights.stderr) == (ExitCode.DONE, False)
    without = clutchlight(*labels)
    assert "another calibration of the network" in without.stderr
    assert "Start the server with the batch's --settings FILE and --weights FILE" in without.stderr
