"""``night.json``: what the last night did and left, for ``clutchlight status`` and for a command of one's own."""

from __future__ import annotations

import datetime as dt
import json
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Any, Literal

from pydantic import TypeAdapter, ValidationError

from pipeline.batch.run_report import BatchReport, ClipStatus, ExamStatus, NetworkInUse
from pipeline.report.waiting import WaitingExam
from pipeline.store.atomic_write import write_atomically

__all__ = ["NightRecord", "NightState", "RefusedItem", "ended_night", "night_path", "read_night", "write_night"]

SCHEMA = "clutchlight/night/1"

NightState = Literal["running", "done", "interrupted", "failed"]


@dataclass(frozen=True)
class RefusedItem:
    """A clip that was refused, or an exam that failed. file : empty for a whole exam;  reason : a sentence"""

    animal: str
    date: str
    file: str
    reason: str


@dataclass(frozen=True)
class NightRecord:
    """One night.

    state : "running" also after the process was killed, since nobody could write anything else
    station : its name in the settings, empty if it has none
    started, ended : UTC, ISO 8601;  ended : None while it runs
    exit_code : of ``clutchlight batch``, None if it has not ended by itself
    exams, clips : how many there were, by `ExamStatus` and `ClipStatus`
    refused : clips that were refused and exams that failed, with clips read before
    problems : folders and files that could not be processed, each a sentence
    failure : why the night, or its overview, failed;  warning : what is wrong with all results
    waiting : unsigned exams that need a person, the most urgent first
    command : why the command after the night failed; None if it did not, or if there is none
    """

    started: str
    root: str
    station: str = ""
    state: NightState = "running"
    ended: str | None = None
    exit_code: int | None = None
    exams: dict[str, int] = field(default_factory=dict)
    clips: dict[str, int] = field(default_factory=dict)
    refused: tuple[RefusedItem, ...] = ()
    problems: tuple[str, ...] = ()
    failure: str | None = None
    warning: str | None = None
    network: NetworkInUse | None = None
    waiting: tuple[WaitingExam, ...] = ()
    command: str | None = None

    def document(self) -> dict[str, Any]:
        """As JSON, with keys in reading order."""
        return {"schema": SCHEMA, **_RECORD.dump_python(self, mode="json")}


_RECORD = TypeAdapter(NightRecord)


def night_path(out: Path) -> Path:
    return out / "night.json"


def ended_night(record: NightRecord, report: BatchReport, exit_code: int) -> NightRecord:
    """The record of a night whose batch has ended. Its exams that wait stay as they were if none could be listed."""
    refused = [
        RefusedItem(exam.animal, exam.date, clip.file, clip.reason or "")
        for exam in report.looked_at
        for clip in exam.clips
        if clip.status == ClipStatus.REFUSED
    ]
    refused += [
        RefusedItem(exam.animal, exam.date, "", exam.reason or "")
        for exam in report.looked_at
        if exam.status == ExamStatus.FAILED
    ]
    return replace(
        record,
        state="failed" if report.failure else "done",
        exit_code=exit_code,
        exams={status.value: number for status, number in report.exam_numbers.items()},
        clips={status.value: number for status, number in report.clip_numbers.items()},
        refused=tuple(refused),
        problems=tuple(problem.reason for problem in report.problems),
        failure=report.failure,
        warning=report.warning,
        network=report.network or record.network,
        waiting=record.waiting if report.waiting is None else report.waiting,
    )


def write_night(out: Path, record: NightRecord) -> None:
    """Raises OutputError."""
    # In ASCII, since reasons may quote what a file holds.
    write_atomically(night_path(out), [json.dumps(record.document(), indent=1).encode() + b"\n"])


def read_night(out: Path) -> NightRecord | None:
    """The last night; None if there was none, or if its record is damaged or of another version."""
    try:
        document = json.loads(night_path(out).read_bytes())
        if document.pop("schema") != SCHEMA:
            return None
        record = _RECORD.validate_python(document)
        dt.datetime.fromisoformat(record.started)
    except (OSError, ValueError, TypeError, KeyError, AttributeError, ValidationError):
        return None
    return record
