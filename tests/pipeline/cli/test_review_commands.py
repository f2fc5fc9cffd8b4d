"""``clutchlight review`` and ``clutchlight users`` on the command line."""

from __future__ import annotations

import re
import signal
import subprocess
import sys
import urllib.request
from contextlib import closing
from pathlib import Path

import pytest

from pipeline.cli import app
from pipeline.cli.exit_codes import ExitCode
from pipeline.people.journal import Journal
from pipeline.people.users import Users
from pipeline.store.store import Store


@pytest.fixture
def out(tmp_path: Path) -> Path:
    Store(tmp_path).close()
    return tmp_path


@pytest.mark.parametrize(
    ("options", "message"),
    [
        (["--host", "0.0.0.0"], "--proxy"),
        (["--hostname", "clutch.example"], "--proxy"),
        (["--hostname", "clutch.example", "--proxy", "*"], "IP address"),
        (["--hostname", "clutch.example", "--proxy", "proxy.example"], "IP address"),
        (["--proxy", "127.0.0.1"], "--hostname"),
        (["--certificate", "c.pem"], "together"),
    ],
)
def test_nothing_is_served_beyond_this_computer_by_accident(
    out: Path, options: list[str], message: str, capsys: pytest.CaptureFixture[str]
) -> None:
    assert app.main(["review", "--out", str(out), *options]) == ExitCode.USAGE
    assert message in capsys.readouterr().err


def test_a_folder_without_results_is_left_empty(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert app.main(["review", "--out", str(tmp_path)]) == ExitCode.USAGE
    assert "no results" in capsys.readouterr().err
    assert list(tmp_path.iterdir()) == []


def test_users_are_added_and_removed(
    out: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.setattr("typer.prompt", lambda *_, **__: "a long enough word")
    add = ["users", "--out", str(out), "--add", "Orla Finch"]
    assert app.main(add) == ExitCode.USAGE  # without a role
    assert app.main([*add, "--role", "veterinarian", "--permission", "everything"]) == ExitCode.USAGE
    assert app.main([*add, "--role", "veterinarian", "--permission", "sign"]) == ExitCode.DONE
    assert capsys.readouterr().out == "Orla Finch\tveterinarian\tsign\n"
    with closing(Journal(out)) as journal:
        assert Users(journal).authenticate("Orla Finch", "a long enough word") is not None
        assert Users(journal).authenticate("Orla Finch", "another word") is None
    assert app.main(["users", "--out", str(out), "--remove", "Orla Finch"]) == ExitCode.DONE
    assert capsys.readouterr().out == ""
    assert app.main(["users", "--out", str(out), "--remove", "Orla Finch"]) == ExitCode.USAGE


def test_the_page_is_served_until_it_is_stopped(out: Path) -> None:
    command = [sys.executable, "-m", "pipeline", "review", "--out", str(out), "--port", "0"]
    running = subprocess.Popen(command, stderr=subprocess.PIPE, text=True)
    try:
        assert running.stderr is not None
        found = re.search(r"http://127\.0\.0\.1:\d+/", running.stderr.readline())
        assert found is not None
        with urllib.request.urlopen(f"{found[0]}login", timeout=20) as answer:
            assert "<h1>Who are you?</h1>" in answer.read().decode()
        running.send_signal(signal.SIGINT)
        assert running.wait(20) == 0
    finally:
        running.kill()
        running.communicate()
