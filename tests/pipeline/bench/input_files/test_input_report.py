from __future__ import annotations

import json
from pathlib import Path

import pytest

from pipeline.cli.app import main
from pipeline.cli.exit_codes import ExitCode


def test_the_command_reads_damaged_files(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert (
        main(["bench", "input", "--out", str(tmp_path), "--damaged-files", "20", "--seed", "3", "--quiet"])
        == ExitCode.DONE
    )
    assert "20 files" in capsys.readouterr().out
    document = json.loads((tmp_path / "reading.json").read_text())
    assert document["damaged"]["cases"] == 20
    assert document["damaged"]["seed"] == 3
    assert document["damaged"]["failures"] == []
    assert document["speed"] == []


def test_the_command_needs_something_to_measure(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["bench", "input", "--out", str(tmp_path / "out")]) == ExitCode.USAGE
    assert (
        "Choose one or more of --damaged-files N, --hostile-media N, --sectors N and --reading-speed."
        in capsys.readouterr().err
    )
