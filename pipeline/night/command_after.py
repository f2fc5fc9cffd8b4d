"""A command of one's own after each night, for a mail, a message or a copy to another disk.

It gets the night's record as JSON on stdin and its figures in the environment. Results are written before it starts,
and nothing that it does can change them; that it failed is part of the record.
"""

from __future__ import annotations

import json
import os
import signal
import subprocess
from collections import Counter
from contextlib import suppress
from pathlib import Path

from models.printable import shortened
from pipeline.night.night_record import NightRecord
from pipeline.settings_tables import NightSettings

__all__ = ["figures", "run_command_after"]


def figures(out: Path, record: NightRecord) -> dict[str, str]:
    """What the environment of the command says about the night; all names begin with CLUTCHLIGHT_."""
    needs = Counter(exam.need for exam in record.waiting)
    values = {
        "out": out,
        "root": record.root,
        "state": record.state,
        "exit_code": "" if record.exit_code is None else record.exit_code,
        "started": record.started,
        "ended": record.ended or "",
        **{f"exams_{status}": number for status, number in record.exams.items()},
        **{f"clips_{status}": number for status, number in record.clips.items()},
        "problems": len(record.problems),
        "waiting_vet_today": needs["vet today"],
        "waiting_rescan": needs["rescan"],
        "waiting_check": needs["check"],
    }
    return {f"CLUTCHLIGHT_{name.upper()}": str(value) for name, value in values.items()}


def run_command_after(out: Path, record: NightRecord, settings: NightSettings) -> str | None:
    """Run the command of the settings, if there is one. Returns why it failed, a sentence; None if it did not."""
    command = settings.command
    if not command:
        return None
    name = shortened(command[0])
    try:
        running = subprocess.Popen(
            command,
            env={**os.environ, **figures(out, record)},
            stdin=subprocess.PIPE,
            stdout=subprocess.DEVNULL,
            stderr=subprocess.PIPE,
            start_new_session=True,  # so that what it starts can be ended with it
        )
    except (OSError, ValueError) as error:
        return f"The command after the night, {name}, could not be started: {getattr(error, 'strerror', error)}."
    try:
        _, printed = running.communicate(json.dumps(record.document()).encode(), timeout=settings.command_seconds)
    except subprocess.TimeoutExpired:
        return f"The command after the night, {name}, took longer than {settings.command_seconds:g} s and was ended."
    finally:
        with suppress(ProcessLookupError):
            os.killpg(running.pid, signal.SIGKILL)
        running.wait()
        for pipe in (running.stdin, running.stderr):
            if pipe is not None:
                with suppress(OSError):
                    pipe.close()
    if running.returncode:
        last = (printed.decode(errors="replace").strip().splitlines() or [""])[-1]
        said = f": {shortened(last)}" if last else ""
        return f"The command after the night, {name}, ended with exit code {running.returncode}{said}."
    return None
