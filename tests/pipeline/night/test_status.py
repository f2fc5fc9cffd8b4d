"""``clutchlight status``: what it says, and the exit code that a monitor gets."""

from __future__ import annotations

import datetime as dt
import json
import os
import shutil
import subprocess
import sys
import time
from collections.abc import Callable
from contextlib import closing
from dataclasses import replace
from pathlib import Path

import pytest

from pipeline.cli import app
from pipeline.night.night_record import NightRecord, read_night, write_night
from pipeline.night.status import Severity, read_status
from pipeline.people.answers import SignExam
from pipeline.people.event_log import EventContent, EventLog, ExamKey
from pipeline.people.journal import Journal
from pipeline.people.users import Users
from pipeline.report.waiting import WaitingExam
from pipeline.settings import load_settings
from pipeline.store.lock import hold_lock
from tests.pipeline.blob_finder import film, write_exam_folder, write_video
from tests.pipeline.conftest import Clutchlight

SETTINGS = load_settings()


@pytest.fixture(scope="module")
def filmed(tmp_path_factory: pytest.TempPathFactory) -> Path:
    root = tmp_path_factory.mktemp("filmed")
    write_exam_folder(root, "AF-0001", {"left-1.mp4": 3}, frames=24, seed=1)
    write_exam_folder(root, "AF-0002", {"left-1.mp4": 2}, frames=24, seed=11)
    return root


@pytest.fixture
def out(root: Path, tmp_path: Path, clutchlight: Clutchlight) -> Path:
    """Results of one night."""
    out = tmp_path / "out"
    assert clutchlight("batch", root, "--out", out, "--quiet").code == 0
    return out


def status(out: Path, **update: float) -> tuple[Severity, str]:
    settings = SETTINGS.model_copy(update={"night": SETTINGS.night.model_copy(update=update)})
    found = read_status(out, settings, dt.datetime.now(dt.UTC))
    return found.severity, " ".join(finding.reason for finding in found.findings)


def changed(out: Path, change: Callable[[NightRecord], NightRecord]) -> NightRecord:
    record = read_night(out)
    assert record is not None
    write_night(out, change(record))
    return record


def test_a_good_night_is_fine_in_words_as_json_and_as_a_mail(out: Path, clutchlight: Clutchlight) -> None:
    shown = clutchlight("status", "--out", out)
    assert (shown.code, shown.stdout.splitlines()[0]) == (Severity.FINE, "All is well.")
    assert "Exams: 2 written, 0 unchanged, 0 failed." in shown.stdout
    assert "Tonight: 0 new, 0 changed, 0 looked at again." in shown.stdout
    assert "Network: blob-finder (bbbbbbbbbbbb, blobs), calibrated." in shown.stdout
    document = json.loads(clutchlight("status", "--out", out, "--json").stdout)
    assert (document["severity"], document["night"]["clips"]["read"]) == ("fine", 2)
    mail = clutchlight("status", "--out", out, "--mail").stdout
    head, _, text = mail.partition("\n\n")
    assert head.startswith("Subject: Clutchlight on ")
    assert text.startswith("All is well.")
    assert clutchlight("status", "--out", out, "--quiet").stdout == ""


def test_it_is_quick_and_loads_no_network(out: Path) -> None:
    program = (
        "import sys\nfrom pipeline.cli.app import main\n"
        f"code = main(['status', '--out', {str(out)!r}])\n"
        "heavy = {'openvino', 'torch', 'av', 'cv2'} & set(sys.modules)\n"
        "sys.exit(f'{code} {heavy}' if code or heavy else 0)\n"
    )
    environment = {**os.environ, "PYTHONPATH": os.pathsep.join(sys.path)}
    start = time.monotonic()
    done = subprocess.run([sys.executable, "-c", program], env=environment, capture_output=True, text=True, check=False)
    assert done.returncode == 0, done.stderr
    assert time.monotonic() - start < 20.0  # 1 s on an idle machine


def test_wrong_folder(tmp_path: Path, clutchlight: Clutchlight) -> None:
    assert clutchlight("status", "--out", tmp_path / "none").code == Severity.CRITICAL
    assert not (tmp_path / "none").exists()


def test_what_waits_tonight_is_counted(out: Path, root: Path, clutchlight: Clutchlight) -> None:
    write_exam_folder(root, "AF-0003", {"left-1.mp4": 1}, frames=24, seed=31)
    side = root / "AF-0001/2026-05-14/exam.toml"
    side.write_text(side.read_text() + "\n")
    shutil.rmtree(root / "AF-0002")
    assert (
        "Tonight: 1 new, 1 changed, 0 looked at again, 1 no longer there." in clutchlight("status", "--out", out).stdout
    )


def test_refused_clips_are_named_and_a_warning(out: Path, root: Path, clutchlight: Clutchlight) -> None:
    (root / "AF-0001/2026-05-14/right-1.mp4").write_bytes(b"no video" * 100)
    clutchlight("batch", root, "--out", out, "--quiet")
    shown = clutchlight("status", "--out", out)
    assert shown.code == Severity.WARNING
    assert "warning: 1 clip refused in the last night." in shown.stdout
    assert "AF-0001 2026-05-14 right-1.mp4: " in shown.stdout
    assert "Tonight: 0 new, 0 changed, 1 looked at again." in shown.stdout
    log = [json.loads(line) for line in (out / "logs" / "night.log").read_text().splitlines()]
    assert [line["file"] for line in log if line["message"] == "clip refused"] == ["right-1.mp4"]
    assert [line["message"] for line in log].count("night ends") == 2


def test_signed_exams_no_longer_wait(out: Path) -> None:
    waiting = [
        WaitingExam(animal, "2026-05-14", f"{animal}/2026-05-14", "vet today", "It rose.", ("risen",))
        for animal in ("AF-0001", "AF-0002")
    ]
    changed(out, lambda record: replace(record, waiting=tuple(waiting)))
    with closing(Journal(out)) as journal:
        Users(journal).add_name("Orla Finch", "veterinarian")
        with EventLog(journal).transaction(ExamKey("AF-0001", "2026-05-14")) as transaction:
            answer = SignExam(name="Orla Finch", role="veterinarian", logged_in=False)
            transaction.append(EventContent("Orla Finch", "r", 1, answer, {}, {"shelled": [1, 2, 1, 3]}))
    found = read_status(out, SETTINGS, dt.datetime.now(dt.UTC))
    assert [exam.animal for exam in found.waiting] == ["AF-0002"]


@pytest.mark.parametrize(
    ("change", "severity", "words"),
    [
        ({"state": "running", "ended": None}, Severity.CRITICAL, "was killed"),
        ({"state": "interrupted"}, Severity.CRITICAL, "was interrupted"),
        ({"state": "failed", "failure": "no space"}, Severity.CRITICAL, "The last night failed: no space"),
        (
            {"started": "2026-05-01T22:00:00+00:00", "ended": "2026-05-02T01:00:00+00:00"},
            Severity.CRITICAL,
            "hours ago",
        ),
        ({"command": "The command failed."}, Severity.WARNING, "The command failed."),
        ({"warning": "uncalibrated"}, Severity.WARNING, "uncalibrated"),
        ({"problems": ("a", "b")}, Severity.WARNING, "2 folders or files not processed"),
        ({"root": "/no/such/folder"}, Severity.CRITICAL, "/no/such/folder cannot be reached"),
    ],
)
def test_what_is_wrong_with_a_night(out: Path, change: dict[str, object], severity: Severity, words: str) -> None:
    changed(out, lambda record: replace(record, **change))
    found, reasons = status(out)
    assert (found, words in reasons) == (severity, True)


def test_folder_without_a_record_of_a_night_is_critical(out: Path) -> None:
    (out / "night.json").unlink()
    assert status(out) == (
        Severity.CRITICAL,
        "No night is recorded in this folder. Is clutchlight batch run by a timer?",
    )
    (out / "night.json").write_text('{"schema": "clutchlight/night/1", "started": 5}')
    assert status(out)[0] == Severity.CRITICAL


def test_a_running_night_is_no_killed_one(out: Path) -> None:
    changed(out, lambda record: replace(record, state="running", ended=None))
    with hold_lock(out):
        assert status(out)[0] == Severity.FINE


def test_full_disks_damage_and_old_copies(out: Path) -> None:
    assert status(out, low_free_gb=1e6) == (Severity.WARNING, status(out, low_free_gb=1e6)[1])
    assert status(out, minimum_free_gb=1e6)[0] == Severity.CRITICAL
    with closing(Journal(out)) as journal:
        Users(journal).add_name("Orla Finch", "veterinarian")
    severity, reasons = status(out)
    assert (severity, "no copy of what people said" in reasons) == (Severity.WARNING, True)
    (out / "people.sqlite").write_bytes(b"not a database" * 100)
    assert status(out)[0] == Severity.CRITICAL


def test_full_disk_stops_the_next_night_before_it_writes(
    out: Path, root: Path, tmp_path: Path, clutchlight: Clutchlight
) -> None:
    sign = tmp_path / "sign"
    own = tmp_path / "own.toml"
    own.write_text(f'[night]\nminimum_free_gb = 1000000.0\ncommand = ["touch", "{sign}"]\n')
    write_video(root / "AF-0001/2026-05-14/right-1.mp4", film(1, frames=24, seed=7))
    stopped = clutchlight("batch", root, "--out", out, "--settings", own)
    assert (stopped.code, "a night needs 1e+06 GB" in stopped.stderr) == (7, True)
    record = read_night(out)
    assert record is not None
    assert (record.state, record.exit_code) == ("failed", 7)
    assert sign.exists()  # so that the mail about it is sent, too
    assert not (tmp_path / "new").exists()
    assert app.main(["batch", str(root), "--out", str(tmp_path / "new"), "--settings", str(own)]) == 7
    assert not (tmp_path / "new").exists()


def test_night_that_may_not_run_now_leaves_the_record_of_the_other(out: Path, root: Path) -> None:
    before = (out / "night.json").read_bytes()
    with hold_lock(out):
        assert app.main(["batch", str(root), "--out", str(out)]) == 75
    assert (out / "night.json").read_bytes() == before


def test_night_that_ends_with_damage_is_recorded_as_failed(out: Path, root: Path) -> None:
    with closing(Journal(out)) as journal:
        Users(journal).add_name("Orla Finch", "veterinarian")
    (out / "people.sqlite").write_bytes(b"not a database" * 100)
    assert app.main(["batch", str(root), "--out", str(out)]) == 2
    record = read_night(out)
    assert record is not None
    assert (record.state, record.exit_code) == ("failed", 2)
    assert "people.sqlite" in str(record.failure)
