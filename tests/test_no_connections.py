"""The program calls nobody: demo, batch and review run where every connection is refused and recorded, and try none."""

from __future__ import annotations

import os
import subprocess
import sys
from collections.abc import Mapping
from pathlib import Path
from urllib.request import urlopen

import pytest

from tests.pipeline.blob_finder import write_exam_folder
from tests.review_process import running_review

ROOT = Path(__file__).parents[1]

# Python runs this module at every start, so it also watches processes that a library starts to send something from.
SITECUSTOMIZE = """
import os, socket, sys

EVENTS = {"socket.connect", "socket.sendto", "socket.getaddrinfo", "socket.gethostbyname"}


def refuse(event, arguments):
    if event == "socket.connect" and arguments[0].family == socket.AF_UNIX:
        return  # a worker process of this machine
    if event in EVENTS:
        with open(os.environ["TRIED_CONNECTIONS"], "a") as tried:
            print(event, arguments[1:] if event in ("socket.connect", "socket.sendto") else arguments, file=tried)
        raise OSError("no connections in this test")


sys.addaudithook(refuse)
"""


@pytest.fixture
def tried(tmp_path: Path) -> Path:
    """The file that lists the connections that were tried."""
    (tmp_path / "site").mkdir()
    (tmp_path / "site" / "sitecustomize.py").write_text(SITECUSTOMIZE)
    (tmp_path / "home").mkdir()
    tried = tmp_path / "tried"
    tried.touch()
    return tried


@pytest.fixture
def environment(tmp_path: Path, tried: Path) -> Mapping[str, str]:
    """With a home folder of its own, and not as in CI, where some libraries send nothing."""
    kept = {name: value for name, value in os.environ.items() if name not in ("CI", "NO_ALBUMENTATIONS_UPDATE")}
    path = os.pathsep.join([str(tmp_path / "site"), str(ROOT)])
    return {**kept, "HOME": str(tmp_path / "home"), "PYTHONPATH": path, "TRIED_CONNECTIONS": str(tried)}


def test_the_test_notices_connections_of_other_processes(environment: Mapping[str, str], tried: Path) -> None:
    program = "import urllib.request; urllib.request.urlopen('http://localhost:9')"
    code = f"import subprocess, sys; subprocess.run([sys.executable, '-c', {program!r}])"
    subprocess.run([sys.executable, "-c", code], env=environment, capture_output=True, check=True)
    assert tried.read_text().startswith("socket.getaddrinfo ('localhost', 9")


def test_the_demo_tries_no_connection(tmp_path: Path, environment: Mapping[str, str], tried: Path) -> None:
    """With one animal of the six, and short clips of it, to save a minute."""
    code = (
        "import dataclasses, sys; from pipeline.cli.app import main; from synthetic.film import clips\n"
        "first = clips.demo_subjects()[0]\n"
        "short = tuple(dataclasses.replace(clip, frames=20) for clip in first.clips)\n"
        "subjects = (dataclasses.replace(first, clips=short),)\n"
        "clips.demo_subjects = lambda: subjects\n"
        "sys.exit(main(['demo', '--out', sys.argv[1], '--quiet']))"
    )
    demo = [sys.executable, "-c", code, str(tmp_path / "demo")]
    done = subprocess.run(demo, env=environment, cwd=ROOT, capture_output=True, text=True, timeout=600)
    assert done.returncode == 0, done.stderr
    assert (tmp_path / "demo" / "results" / "index.html").is_file()
    assert tried.read_text() == ""
    assert list((tmp_path / "home").iterdir()) == []


def test_batch_and_review_try_no_connection(tmp_path: Path, environment: Mapping[str, str], tried: Path) -> None:
    write_exam_folder(tmp_path / "exams", "AF-0001", {"left-1.mp4": 1}, frames=10)
    batch = [sys.executable, "-m", "pipeline", "batch", str(tmp_path / "exams"), "--out", str(tmp_path / "out")]
    subprocess.run(batch, env=environment, cwd=ROOT, check=True, stdout=subprocess.DEVNULL, timeout=300)
    with running_review(tmp_path / "out", environment) as address, urlopen(f"{address}login", timeout=20) as page:
        assert b"<h1>Who are you?</h1>" in page.read()
    assert tried.read_text() == ""
    assert list((tmp_path / "home").iterdir()) == []  # no id, no consent
