"""The command after the night: what it gets, and that its failure is a sentence and costs nothing else."""

from __future__ import annotations

import json
import sys
import time
from dataclasses import replace
from pathlib import Path

import pytest

from pipeline.night.command_after import figures, run_command_after
from pipeline.night.night_record import NightRecord
from pipeline.report.waiting import WaitingExam
from pipeline.settings import load_settings
from pipeline.settings_tables import NightSettings

RECORD = NightRecord(
    started="2026-05-14T22:00:00+00:00",
    root="/recordings",
    state="done",
    ended="2026-05-15T01:00:00+00:00",
    exit_code=3,
    exams={"written": 2, "unchanged": 7, "failed": 0},
    clips={"read": 4, "kept": 14, "refused": 1},
    problems=("one",),
    waiting=(WaitingExam("AF-0001", "2026-05-14", "AF-0001/2026-05-14", "vet today", "It rose.", ("risen",)),),
)


def settings(*command: str, seconds: float = 60.0) -> NightSettings:
    return load_settings().night.model_copy(update={"command": command, "command_seconds": seconds})


def python(program: str) -> tuple[str, str, str]:
    return sys.executable, "-c", program


def test_command_gets_the_record_and_the_figures(tmp_path: Path) -> None:
    got = tmp_path / "got.json"
    program = (
        "import json, os, sys\n"
        "named = {k: v for k, v in os.environ.items() if k.startswith('CLUTCHLIGHT_')}\n"
        f"json.dump([json.load(sys.stdin), named], open({str(got)!r}, 'w'))\n"
    )
    assert run_command_after(tmp_path, RECORD, settings(*python(program))) is None
    record, named = json.loads(got.read_text())
    assert record == RECORD.document()
    assert named == figures(tmp_path, RECORD)
    assert named["CLUTCHLIGHT_EXAMS_WRITTEN"] == "2"
    assert named["CLUTCHLIGHT_CLIPS_REFUSED"] == "1"
    assert (named["CLUTCHLIGHT_WAITING_VET_TODAY"], named["CLUTCHLIGHT_WAITING_CHECK"]) == ("1", "0")
    assert (named["CLUTCHLIGHT_EXIT_CODE"], named["CLUTCHLIGHT_STATE"]) == ("3", "done")


def test_without_a_command_nothing_runs(tmp_path: Path) -> None:
    assert run_command_after(tmp_path, RECORD, settings()) is None


@pytest.mark.parametrize(
    ("command", "words"),
    [
        (("/no/such/program",), "/no/such/program, could not be started: No such file or directory."),
        (python("import sys; sys.exit('no mail server\\x1b[31m')"), "exit code 1: no mail server\\x1b[31m."),
        (python("import os; os.kill(os.getpid(), 9)"), "ended with exit code -9."),
        (("a\0b",), "could not be started"),
    ],
)
def test_failure_is_a_sentence(tmp_path: Path, command: tuple[str, ...], words: str) -> None:
    assert words in str(run_command_after(tmp_path, RECORD, settings(*command)))


def test_command_that_reads_nothing_is_no_failure(tmp_path: Path) -> None:
    long = replace(RECORD, problems=("x" * 1000,) * 1000)  # more than a pipe holds
    assert run_command_after(tmp_path, long, settings(*python("pass"))) is None


def test_command_that_takes_too_long_is_ended_with_what_it_started(tmp_path: Path) -> None:
    sign = tmp_path / "sign"
    started = f"import time; time.sleep(4); open({str(sign)!r}, 'w')"
    program = f"import subprocess, sys, time; subprocess.Popen([sys.executable, '-c', {started!r}]); time.sleep(60)"
    before = time.monotonic()
    failed = run_command_after(tmp_path, RECORD, settings(*python(program), seconds=2.0))
    assert "took longer than 2 s and was ended" in str(failed)
    assert time.monotonic() - before < 30.0
    time.sleep(4.0)
    assert not sign.exists()
