"""Kills processes at any moment (SIGKILL). Nothing that was stored may be lost; a night ends with the same bytes."""

from __future__ import annotations

import random
import re
import shutil
import sqlite3
import subprocess
import sys
import time
from collections import Counter
from contextlib import closing
from pathlib import Path

from pipeline.attacks.attack_report import AttackResult, Progress
from pipeline.attacks.sample_folder import said, say, write_recordings
from pipeline.people.chain import JournalError
from pipeline.people.journal import Journal
from pipeline.store.sqlite_database import database_path

__all__ = ["kill_nights", "kill_writers", "start_victim", "without_run_time"]

WAIT_S = 120.0  # for a night that is not killed; it takes seconds
RUN_ENDED = re.compile(rb'data-ended="[^"]*"|[Rr]un ended \d+ \w+ \d{4}, \d\d:\d\d')
LARGEST_ANSWERS = 40  # stored before a writer is killed


def start_victim(*arguments: object) -> subprocess.Popen[str]:
    """A process of `pipeline.attacks.victim`."""
    command = [sys.executable, "-m", "pipeline.attacks.victim", *map(str, arguments)]
    return subprocess.Popen(command, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True)


def without_run_time(page: bytes) -> bytes:
    """A file without the time at which the run ended, which index and slip show."""
    return RUN_ENDED.sub(b"", page)


def kill_nights(folder: Path, kills: int, seed: int, progress: Progress) -> AttackResult:
    """Kill nights that many times. A night that was killed is run again, until it ends; then another begins."""
    began, rng, outcomes, examples = time.monotonic(), random.Random(seed), Counter[str](), list[str]()
    root, undisturbed, out = folder / "recordings", folder / "undisturbed", folder / "out"
    write_recordings(root)
    start = time.monotonic()
    if _run_night(root, undisturbed, WAIT_S) != 0:
        raise RuntimeError("the night without kills failed")
    seconds, lost, nights = time.monotonic() - start, 0, 0
    while outcomes["killed"] < kills:
        before = _stored(out)
        # Most of the start is the same for all commands: only one kill in four is then.
        code = _run_night(root, out, rng.uniform(0, seconds), from_start=rng.random() < 0.25)
        lost += len(before - _stored(out))
        if code < 0:
            outcomes["killed"] += 1
            progress(outcomes["killed"], kills)
        if code >= 0 or outcomes["killed"] == kills:
            code = _run_night(root, out, WAIT_S) if code < 0 else code
            nights += 1
            if code != 0 or _files(out) != _files(undisturbed):
                examples.append(f"night {nights}: exit code {code}, or other bytes than undisturbed.")
            shutil.rmtree(out, ignore_errors=True)
    measured = {"nights": nights, "nights_with_other_bytes": len(examples), "rows_lost": lost}
    harm = len(examples) + lost
    return AttackResult("nights killed", kills, outcomes, harm, time.monotonic() - began, measured, examples)


def _run_night(root: Path, out: Path, kill_after_s: float, *, from_start: bool = False) -> int:
    """The exit code of a night, negative if it was killed.

    kill_after_s : it is killed that time after it has found its exams, or after its start
    """
    night = start_victim("night", root, out)
    assert night.stdout is not None
    if not from_start:
        night.stdout.readline()
    try:
        night.communicate(timeout=kill_after_s)
    except subprocess.TimeoutExpired:
        night.kill()
        night.communicate()
    return night.returncode


def _stored(out: Path) -> set[tuple[str, ...]]:
    """The keys of the scans and exams that the store holds."""
    path = database_path(out)
    if not path.exists():
        return set()
    keys = ("SELECT clip_sha256, model_sha256, settings_sha256, engine FROM scans", "SELECT animal, date FROM exams")
    with closing(sqlite3.connect(path)) as store:
        tables = {row[0] for row in store.execute("SELECT name FROM sqlite_master")}
        return {tuple(row) for key in keys if "scans" in tables for row in store.execute(key)}


def _files(out: Path) -> dict[str, bytes]:
    """Every file but the databases and what guards them, by path, without the time at which the night ended."""
    internal = (".", "clutchlight.sqlite", "people.", "seen.sqlite")
    return {
        str(path.relative_to(out)): without_run_time(path.read_bytes())
        for path in sorted(out.rglob("*"))
        if path.is_file() and not path.name.startswith(internal)
    }


def kill_writers(folder: Path, kills: int, seed: int, progress: Progress) -> AttackResult:
    """Kill processes that add to the people's file. All that they said was stored must be there, in a sound file."""
    began, rng, outcomes, lost, examples = time.monotonic(), random.Random(seed), Counter[str](), 0, list[str]()
    out = folder / "answers"
    out.mkdir(parents=True)
    say(out)
    for number in range(1, kills + 1):
        writer = start_victim("answers", out)
        assert writer.stdout is not None
        stored = [int(writer.stdout.readline()) for _ in range(rng.randint(1, LARGEST_ANSWERS))]
        time.sleep(rng.uniform(0, 0.01))
        writer.kill()
        stored += [int(line) for line in writer.communicate()[0].splitlines() if line.strip()]
        try:
            with closing(Journal(out)) as journal:
                missing = max(0, stored[-1] - journal.tip.length)
            said(out)
        except JournalError as error:
            missing, examples = len(stored), [*examples, str(error)]
        lost += missing
        outcomes["killed"] += 1
        progress(number, kills)
    measured = {"entries_lost": lost}
    return AttackResult("writers killed", kills, outcomes, lost, time.monotonic() - began, measured, examples)
