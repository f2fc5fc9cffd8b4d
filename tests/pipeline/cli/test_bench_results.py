"""``clutchlight bench accuracy`` measures what another program, or a function of somebody's, finds."""

from __future__ import annotations

import json
import re
import sys
from pathlib import Path

import pytest

from pipeline.cli.exit_codes import ExitCode
from tests.pipeline.bench.data_set_files import DATE, object_annotation, write_truth
from tests.pipeline.blob_finder import write_exam_folder
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
    assert sorted(path.name for path in (tmp_path / "out").iterdir()) == [
        "1-set.svg",
        "figures.json",
        "manifest.json",
        "report.html",
    ]


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


def example_of_a_method() -> str:
    """The module that DEVELOPERS.md shows as my_finder.py."""
    text = (Path(__file__).parents[3] / "DEVELOPERS.md").read_text(encoding="utf-8")
    found = re.search(r"`my_finder\.py`:\n\n```python\n(.*?)```\n", text, re.DOTALL)
    assert found is not None
    return found.group(1)


def test_the_example_of_a_method_in_the_documentation_works(
    clutchlight: Clutchlight, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    write_exam_folder(tmp_path / "phantoms", "AF-0001", {"left-1.mp4": 1}, date=DATE)
    eggs = [object_annotation(frame + 1, 3, ROUND, ignored=frame not in range(15, 25)) for frame in range(40)]
    write_truth(tmp_path / "phantoms", eggs, animals=("AF-0001",), frames=40, carried=1, crossed=1)
    (tmp_path / "my_finder.py").write_text(example_of_a_method())
    monkeypatch.chdir(tmp_path)
    arguments = "bench accuracy phantoms --method my_finder:bright_rings --out figures"
    assert arguments in (Path(__file__).parents[3] / "DEVELOPERS.md").read_text(encoding="utf-8")
    done = clutchlight(*arguments.split())
    sys.modules.pop("my_finder")
    assert (done.code, done.stderr) == (ExitCode.DONE, "Running my_finder:bright_rings on phantoms\n")
    (written,) = json.loads((tmp_path / "figures" / "figures.json").read_text())
    shelled = written["detection"]["classes"]["shelled"]
    assert (shelled["recall"], shelled["stage_accuracy"]) == (1.0, None)
    assert json.loads((tmp_path / "figures" / "1-phantoms" / "detections.json").read_text())[0]["score"] == 0.9


def test_a_method_that_fails_is_an_error_that_names_it(
    clutchlight: Clutchlight, data_set: Path, tmp_path: Path
) -> None:
    done = clutchlight("bench", "accuracy", data_set, "--method", "json:nothing", "--out", tmp_path / "out")
    assert done.code == ExitCode.USAGE
    assert "json:nothing cannot be loaded" in done.stderr
    both = ("--method", "json:loads", "--results", tmp_path)
    assert "without --method" in clutchlight("bench", "accuracy", data_set, *both, "--out", tmp_path / "out").stderr
