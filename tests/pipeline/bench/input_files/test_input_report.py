from __future__ import annotations

import json
from pathlib import Path

import pytest

from pipeline.cli.app import main
from pipeline.cli.exit_codes import ExitCode


def test_damaged_files_are_read_from_the_command_line(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["bench", "--out", str(tmp_path), "--fuzz", "20", "--seed", "3", "--quiet"]) == ExitCode.DONE
    assert "20 cases" in capsys.readouterr().out
    document = json.loads((tmp_path / "reading.json").read_text())
    assert document["damaged"]["cases"] == 20
    assert document["damaged"]["seed"] == 3
    assert document["damaged"]["failures"] == []
    assert document["speed"] == []


def test_data_sets_do_not_go_with_damaged_files(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["bench", str(tmp_path), "--out", str(tmp_path / "out"), "--fuzz", "20"]) == ExitCode.USAGE
    assert "take no data sets" in capsys.readouterr().err
