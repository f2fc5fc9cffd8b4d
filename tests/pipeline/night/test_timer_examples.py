"""The examples in ``configs`` of starting a night: read by the programs that they are for, or by parsers."""

from __future__ import annotations

import configparser
import re
import shlex
import shutil
import subprocess
import sys
from collections.abc import Iterator
from pathlib import Path
from xml.etree import ElementTree

import pytest
import typer

from pipeline.cli import app
from pipeline.cli.exit_codes import ExitCode

CONFIGS = Path(__file__).parents[3] / "configs"
EXAMPLES = CONFIGS / "unattended"
PROGRAM = "/opt/clutchlight/bin/clutchlight"
TASK = "{http://schemas.microsoft.com/windows/2004/02/mit/task}"
CRON_RANGES = ((0, 59), (0, 23), (1, 31), (1, 12), (0, 7))


def commands(text: str) -> Iterator[list[str]]:
    """The arguments of each call of the program in an example, without those in comments."""
    for line in text.splitlines():
        _, _, after = line.partition(PROGRAM)
        if after and not line.lstrip().startswith("#"):
            yield shlex.split(re.sub(r"<[^>]*>", "", after))


def unit(name: str) -> configparser.ConfigParser:
    parser = configparser.ConfigParser(interpolation=None, strict=True, delimiters=["="])
    parser.optionxform = str  # type: ignore[assignment,method-assign]
    parser.read_string((EXAMPLES / name).read_text(encoding="utf-8"))
    return parser


@pytest.mark.parametrize("name", ["clutchlight.service", "clutchlight.cron", "clutchlight-task.xml"])
def test_commands_of_the_examples_are_ones_that_the_program_understands(name: str) -> None:
    found = list(commands((EXAMPLES / name).read_text(encoding="utf-8")))
    assert found
    assert found[0][0] == "batch"
    program = typer.main.get_command(app.app)
    for command, *arguments in found:
        program.commands[command].make_context(command, arguments)  # raises UsageError


def test_systemd_accepts_service_and_timer(tmp_path: Path) -> None:
    analyze = shutil.which("systemd-analyze")
    if analyze is None:
        pytest.skip("systemd-analyze is not installed; the units were only parsed")
    for name in ("clutchlight.service", "clutchlight.timer"):
        text = (EXAMPLES / name).read_text(encoding="utf-8")
        (tmp_path / name).write_text(text.replace(PROGRAM, sys.executable))
    units = [tmp_path / "clutchlight.service", tmp_path / "clutchlight.timer"]
    done = subprocess.run([analyze, "verify", *units], capture_output=True, text=True, check=False, timeout=60)
    # Other units of the machine may be faulty, and are reported too.
    assert not [line for line in done.stderr.splitlines() if "clutchlight" in line]
    (tmp_path / "clutchlight.service").write_text("[Service]\nType=nightly\n")
    done = subprocess.run([analyze, "verify", *units], capture_output=True, text=True, check=False, timeout=60)
    assert "clutchlight.service" in done.stderr


def test_units_treat_exit_codes_as_they_are_meant() -> None:
    service, timer = unit("clutchlight.service")["Service"], unit("clutchlight.timer")["Timer"]
    assert service["Type"] == "oneshot"
    assert int(service["SuccessExitStatus"]) == ExitCode.SOME_UNUSABLE
    not_tried_again = {int(code) for code in service["RestartPreventExitStatus"].split()}
    assert not_tried_again == {ExitCode.USAGE, ExitCode.NOTHING_USABLE, ExitCode.DAMAGED, ExitCode.NOT_READY}
    assert timer["Persistent"] == "true"


def test_cron_lines_have_times_a_user_and_a_command() -> None:
    text = (EXAMPLES / "clutchlight.cron").read_text(encoding="utf-8")
    assert text.endswith("\n")  # cron ignores a last line without an end
    lines = [line for line in text.splitlines() if line and line[0] not in "#MP"]
    assert len(lines) == 2
    for line in lines:
        *times, user, command = line.split(maxsplit=6)
        assert user == "clutchlight"
        assert "%" not in command  # which cron would take for the end of the line
        for time, (low, high) in zip(times, CRON_RANGES, strict=True):
            assert time == "*" or low <= int(time) <= high


def test_windows_task_runs_daily_once_and_without_a_time_limit() -> None:
    task = ElementTree.parse(EXAMPLES / "clutchlight-task.xml").getroot()
    assert task.tag == f"{TASK}Task"
    (trigger,) = task.findall(f"{TASK}Triggers/{TASK}CalendarTrigger")
    assert trigger.findtext(f"{TASK}ScheduleByDay/{TASK}DaysInterval") == "1"
    settings = task.find(f"{TASK}Settings")
    assert settings is not None
    assert settings.findtext(f"{TASK}ExecutionTimeLimit") == "PT0S"
    assert settings.findtext(f"{TASK}MultipleInstancesPolicy") == "IgnoreNew"
    (principal,) = task.findall(f"{TASK}Principals/{TASK}Principal")
    actions = task.find(f"{TASK}Actions")
    assert actions is not None
    assert actions.get("Context") == principal.get("id")


def instructions() -> list[tuple[str, str]]:
    """Of the Containerfile, in order: the word and the rest, with continued lines joined."""
    text = (CONFIGS / "Containerfile").read_text(encoding="utf-8")
    lines = [line for line in text.splitlines() if line.strip() and not line.startswith("#")]
    joined = "\n".join(lines).replace("\\\n", " ").splitlines()
    return [(word, " ".join(rest.split())) for word, _, rest in (line.partition(" ") for line in joined)]


def test_container_is_light_and_not_run_by_root() -> None:
    found = instructions()
    words = [word for word, _ in found]
    assert set(words) <= {"FROM", "COPY", "RUN", "USER", "ENV", "VOLUME", "ENTRYPOINT", "CMD"}
    images = [rest for word, rest in found if word == "FROM"]
    assert all(re.fullmatch(r"docker\.io/library/python:3\.\d+-slim( AS build)?", image) for image in images)
    final = found[max(index for index, word in enumerate(words) if word == "FROM") :]
    assert int(next(rest for word, rest in final if word == "USER")) >= 1000
    # The final image gets the installation alone, not the sources.
    assert all(rest.startswith("--from=build ") for word, rest in final if word == "COPY")
    assert all(rest.startswith("[") for word, rest in final if word in ("ENTRYPOINT", "CMD"))
    runs = " ".join(rest for word, rest in found if word == "RUN")
    assert "--require-hashes" in runs
    assert "[train]" not in runs


@pytest.fixture(scope="module")
def container_program() -> str:
    """A program that builds images here. Having it is not enough: docker needs its service."""
    for name in ("podman", "docker"):
        path = shutil.which(name)
        if path and subprocess.run([path, "info"], capture_output=True, check=False, timeout=60).returncode == 0:
            answer = subprocess.run([path, "version"], capture_output=True, text=True, check=False, timeout=60)
            if answer.returncode == 0:
                return path
    pytest.skip("neither podman nor docker can build images here; the Containerfile was only read")


def test_container_is_built_and_reads_a_night(container_program: str, tmp_path: Path) -> None:
    """Takes minutes, and needs the registries of images and packages."""
    build = [container_program, "build", "--file", CONFIGS / "Containerfile", "--tag", "clutchlight-test", "."]
    subprocess.run(build, cwd=CONFIGS.parent, check=True, timeout=1800)
    sheets = tmp_path / "sheets"
    sheets.mkdir(mode=0o777)
    sheets.chmod(0o777)
    safe = ["run", "--rm", "--read-only", "--tmpfs", "/tmp", "--network", "none", "--volume", f"{sheets}:/sheets"]
    done = subprocess.run(
        [container_program, *safe, "clutchlight-test"], capture_output=True, text=True, check=False, timeout=300
    )
    assert done.returncode == ExitCode.NOTHING_USABLE
    assert "no recordings found" in done.stderr
