"""What a centre installs is without torch: batch and review run where the libraries of the extra train are missing."""

from __future__ import annotations

import os
import re
import subprocess
import sys
import tomllib
from collections.abc import Mapping
from pathlib import Path
from urllib.request import urlopen

import pytest

from tests.pipeline.blob_finder import write_exam_folder
from tests.review_process import running_review

ROOT = Path(__file__).parents[1]

# Python runs this module at every start, so the libraries are missing in child processes, too.
SITECUSTOMIZE = """
import os, sys
from importlib.abc import MetaPathFinder


class Missing(MetaPathFinder):
    def find_spec(self, name, path=None, target=None):
        if name.split(".")[0] in os.environ["MISSING_MODULES"].split():
            raise ModuleNotFoundError(f"No module named {name!r}", name=name)


sys.meta_path.insert(0, Missing())
"""


@pytest.fixture
def environment(tmp_path: Path) -> Mapping[str, str]:
    """Where nothing of the extras can be imported."""
    extras = tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))["project"]["optional-dependencies"]
    requirements = [*extras["train"], *extras["cluster"], *extras["objects"]]
    missing = [re.split(r"[<>=]", requirement)[0] for requirement in requirements]
    assert "torch" in missing
    (tmp_path / "site").mkdir()
    (tmp_path / "site" / "sitecustomize.py").write_text(SITECUSTOMIZE)
    path = os.pathsep.join([str(tmp_path / "site"), str(ROOT)])
    return {**os.environ, "PYTHONPATH": path, "MISSING_MODULES": " ".join(missing)}


def clutchlight(environment: Mapping[str, str], *arguments: str) -> subprocess.CompletedProcess[str]:
    command = [sys.executable, "-m", "pipeline", *arguments]
    return subprocess.run(command, env=environment, cwd=ROOT, capture_output=True, text=True, check=False, timeout=300)


def test_the_libraries_are_missing(environment: Mapping[str, str]) -> None:
    done = subprocess.run([sys.executable, "-c", "import torch"], env=environment, capture_output=True, check=False)
    assert b"ModuleNotFoundError" in done.stderr


def test_batch_and_review_run(tmp_path: Path, environment: Mapping[str, str]) -> None:
    write_exam_folder(tmp_path / "exams", "AF-0001", {"left-1.mp4": 1}, frames=10)
    done = clutchlight(environment, "batch", str(tmp_path / "exams"), "--out", str(tmp_path / "out"))
    assert done.returncode == 0, done.stderr
    assert list((tmp_path / "out").rglob("result.json"))
    with running_review(tmp_path / "out", environment) as address, urlopen(f"{address}login", timeout=20) as page:
        assert b"<h1>Who are you?</h1>" in page.read()


@pytest.mark.parametrize(
    ("command", "extra"),
    [("demo", "train"), ("phantoms", "train"), ("batch", "train"), ("cluster", "cluster"), ("objects", "objects")],
)
def test_what_needs_more_says_what_to_install(
    tmp_path: Path, environment: Mapping[str, str], command: str, extra: str
) -> None:
    write_exam_folder(tmp_path / "exams", "AF-0001", {"left-1.mp4": 1}, frames=3)
    batch = ["batch", str(tmp_path / "exams"), "--out", str(tmp_path / "out")]
    arguments = {
        "demo": ["demo", "--out", str(tmp_path / "out")],
        "phantoms": ["phantoms", str(tmp_path / "phantoms"), "--animals", "1"],
        "batch": [*batch, "--engine", "torch"],
        "cluster": [*batch, "--cluster", "tcp://127.0.0.1:9"],
        "objects": ["batch", "s3://recordings/2026", "--out", str(tmp_path / "out")],
    }
    done = clutchlight(environment, *arguments[command])
    assert done.returncode == 2, done.stderr
    assert f"pip install 'clutchlight[{extra}]'" in done.stderr
