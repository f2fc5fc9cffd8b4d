"""The log: one JSON object a line, files of limited size, and no line lost to strange characters."""

from __future__ import annotations

import json
import logging
from pathlib import Path

import pytest

from pipeline.night.log_file import log_path, logging_to, warnings_in_words
from pipeline.settings import load_settings

SETTINGS = load_settings().night
LOG = logging.getLogger("pipeline.somewhere")


def lines(path: Path) -> list[dict[str, object]]:
    return [json.loads(line) for line in path.read_text("ascii").splitlines()]


def test_each_line_is_an_object_with_its_fields(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    # pytest cannot send what it captured of this to another process.
    monkeypatch.setattr(logging.getLogger("pipeline"), "propagate", False)
    with logging_to(tmp_path, SETTINGS):
        LOG.info("clip %s", "refused", extra={"fields": {"file": "left\n1.mp4", "folder": tmp_path}})
        LOG.debug("not for the log")
        try:
            raise ValueError("\udcff")
        except ValueError:
            LOG.exception("failed")
    LOG.info("after its end")
    first, second = lines(log_path(tmp_path))
    assert (first["level"], first["module"], first["message"]) == ("info", "pipeline.somewhere", "clip refused")
    assert (first["file"], first["folder"]) == ("left\n1.mp4", str(tmp_path))
    assert str(first["time"]).endswith("+00:00")
    assert "ValueError" in str(second["traceback"])


def test_files_are_rotated_and_the_oldest_goes(tmp_path: Path) -> None:
    small = SETTINGS.model_copy(update={"log_megabytes": 0.002, "log_files": 3})
    with logging_to(tmp_path, small):
        for number in range(100):
            LOG.info("line", extra={"fields": {"number": number}})
    files = sorted(path.name for path in log_path(tmp_path).parent.iterdir())
    assert files == ["night.log", "night.log.1", "night.log.2"]
    assert all(path.stat().st_size <= 2000 for path in log_path(tmp_path).parent.iterdir())
    assert lines(log_path(tmp_path))[-1]["number"] == 99


def test_a_terminal_gets_warnings_in_words(capsys: pytest.CaptureFixture[str]) -> None:
    with warnings_in_words():
        LOG.warning("the disk\x1b[31m")
        LOG.info("nothing to worry about")
        LOG.warning("clip refused", extra={"fields": {"file": "left-1.mp4"}})  # which the command itself prints
    assert capsys.readouterr().err == "Warning: the disk\\x1b[31m\n"
