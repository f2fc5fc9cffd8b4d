"""``clutchlight bench accuracy --results`` measures what another program found."""

from __future__ import annotations

import json
from pathlib import Path

import pytest

from pipeline.cli.exit_codes import ExitCode
from tests.pipeline.bench.data_set_files import object_annotation, write_truth
from tests.pipeline.conftest import Clutchlight

ROUND = [40.0, 50.0, 12.0, 12.0, 0.0]


@pytest.fixture
def data_set(tmp_path: Path) -> Path:
    write_truth(tmp_path / "set", [object_annotation(1, 3, ROUND), object_annotation(2, 3, ROUND)])
    return tmp_path / "set"


def test_results_are_measured_without_a_batch(clutchlight: Clutchlight, data_set: Path, tmp_path: Path) -> None:
    results = tmp_path / "results.json"
    results.write_text(json.dumps([{"image_id": 2, "category_id": 3, "ellipse": ROUND, "score": 0.8}]))
    done = clutchlight("bench", "accuracy", data_set, "--results", results, "--out", tmp_path / "out")
    assert (done.code, done.stderr) == (ExitCode.DONE, "")
    assert "set: 1 animal, 2 frames" in done.stdout
    (written,) = json.loads((tmp_path / "out" / "figures.json").read_text())
    assert written["detection"]["classes"]["calcified"]["recall"] == 0.5
    assert written["counting"] is None
    assert sorted(path.name for path in (tmp_path / "out").iterdir()) == ["1-set.svg", "figures.json"]


def test_results_belong_to_one_data_set(clutchlight: Clutchlight, data_set: Path, tmp_path: Path) -> None:
    done = clutchlight("bench", "accuracy", data_set, data_set, "--results", tmp_path, "--out", tmp_path / "out")
    assert done.code == ExitCode.USAGE
    assert "--results belongs to one DATASET" in done.stderr


def test_results_that_cannot_be_read_are_an_error_that_names_them(
    clutchlight: Clutchlight, data_set: Path, tmp_path: Path
) -> None:
    done = clutchlight("bench", "accuracy", data_set, "--results", tmp_path / "no", "--out", tmp_path / "out")
    assert done.code not in (ExitCode.DONE, ExitCode.UNEXPECTED)
    assert f"{tmp_path / 'no'} holds no results" in done.stderr
