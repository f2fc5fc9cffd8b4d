"""What a monitor asks for: last night, tonight, who waits, disk, network, what people said. No clip is read.

The severities are those of monitoring plug-ins: 0 fine, 1 warning, 2 critical (Monitoring Plugins Development
Guidelines, "Plugin Return Codes").
"""

from __future__ import annotations

import datetime as dt
from collections.abc import Iterator
from contextlib import closing
from dataclasses import asdict, dataclass, replace
from enum import IntEnum
from pathlib import Path
from typing import Any

from models.errors import ClutchlightError
from pipeline.batch.run_report import NetworkInUse
from pipeline.formatting import plural
from pipeline.night.night_record import NightRecord, read_night
from pipeline.night.readiness import FreeSpace, clock_reason, free_space, space_reason
from pipeline.night.tonight import Tonight, find_tonight
from pipeline.people.event_log import EventLog, ExamKey
from pipeline.people.journal import Journal
from pipeline.people.signatures import current_signatures
from pipeline.report.waiting import WaitingExam
from pipeline.settings import Settings
from pipeline.settings_tables import NightSettings
from pipeline.store.dated_copies import copies_folder, find_copies
from pipeline.store.lock import is_locked
from pipeline.store.schema import StoreError

__all__ = ["Finding", "PeopleStatus", "Severity", "Status", "read_status"]


class Severity(IntEnum):
    """The values are exit codes of ``clutchlight status``."""

    FINE = 0
    WARNING = 1
    CRITICAL = 2


@dataclass(frozen=True)
class Finding:
    """Something that is not as it should be. reason : a sentence"""

    severity: Severity
    reason: str


@dataclass(frozen=True)
class PeopleStatus:
    """What people said.

    entries, signed : how many there are, and how many exams are signed;  damage : None if it is as it was written
    last_copy : when the last copy of it was made, UTC; None if there is none
    """

    entries: int
    signed: int
    last_copy: dt.datetime | None
    damage: str | None = None


@dataclass(frozen=True)
class Status:
    """now : UTC;  night : the last one, None if none was recorded;  is_running : whether a batch works in the folder

    tonight : None if the recordings' folder is unknown, or cannot be reached
    waiting : the unsigned exams that need a person, without those that were signed since
    network : of the last night;  is_calibrated : whether the network of the settings has a calibration of its own
    space : None if the disk does not answer;  store_trouble : why the server of the store cannot be reached, if so
    """

    now: dt.datetime
    out: Path
    night: NightRecord | None
    is_running: bool
    tonight: Tonight | None
    waiting: tuple[WaitingExam, ...]
    network: NetworkInUse | None
    is_calibrated: bool
    people: PeopleStatus
    space: FreeSpace | None
    store_trouble: str | None = None
    findings: tuple[Finding, ...] = ()

    @property
    def severity(self) -> Severity:
        return max((finding.severity for finding in self.findings), default=Severity.FINE)

    def document(self) -> dict[str, Any]:
        """As JSON, with keys in reading order."""
        copy = self.people.last_copy
        return {
            "schema": "clutchlight/status/1",
            "severity": self.severity.name.lower(),
            "now": self.now.isoformat(timespec="seconds"),
            "out": str(self.out),
            "findings": [{"severity": f.severity.name.lower(), "reason": f.reason} for f in self.findings],
            "is_running": self.is_running,
            "night": None if self.night is None else {**self.night.document(), "waiting": None},
            "tonight": None if self.tonight is None else asdict(self.tonight),
            "waiting": [asdict(exam) for exam in self.waiting],
            "network": None if self.network is None else asdict(self.network),
            "is_calibrated": self.is_calibrated,
            "people": {**asdict(self.people), "last_copy": None if copy is None else copy.isoformat()},
            "space": None if self.space is None else asdict(self.space),
        }


def read_status(out: Path, settings: Settings, now: dt.datetime) -> Status:
    """The state of an output folder. now : UTC"""
    night = read_night(out)
    people, signed = _read_people(out)
    try:
        is_running, store_trouble = is_locked(out), None
    except StoreError as error:
        is_running, store_trouble = False, str(error)
    waiting = tuple(exam for exam in night.waiting if _key(exam) not in signed) if night else ()
    try:
        space = free_space(out)
    except OSError:
        space = None
    status = Status(
        now=now,
        out=out,
        night=night,
        is_running=is_running,
        store_trouble=store_trouble,
        tonight=find_tonight(out, night) if night else None,
        waiting=waiting,
        network=night.network if night else None,
        is_calibrated=settings.is_calibrated,
        people=people,
        space=space,
    )
    findings = [*_of_the_night(status, settings.night), *_of_the_machine(status, settings.night)]
    # Sorted with the worst first; sorting keeps the order of equals.
    return replace(status, findings=tuple(sorted(findings, key=lambda finding: -finding.severity)))


def _key(exam: WaitingExam) -> ExamKey:
    return ExamKey(exam.animal, exam.date)


def _read_people(out: Path) -> tuple[PeopleStatus, frozenset[ExamKey]]:
    """Their state, and the exams that are signed now."""
    copies = find_copies(copies_folder(out))
    last_copy = copies[-1].made if copies else None
    try:
        with closing(Journal(out, create=False)) as journal:
            signed = frozenset(current_signatures(EventLog(journal)))
            return PeopleStatus(journal.tip.length, len(signed), last_copy), signed
    except ClutchlightError as error:
        return PeopleStatus(0, 0, last_copy, damage=str(error)), frozenset()


def _of_the_night(status: Status, settings: NightSettings) -> Iterator[Finding]:
    night = status.night
    if night is None:
        yield Finding(Severity.CRITICAL, "No night is recorded in this folder. Is clutchlight batch run by a timer?")
        return
    if night.state == "running" and not status.is_running and status.store_trouble is None:
        yield Finding(Severity.CRITICAL, f"The night that began {night.started} was killed. The next one continues.")
    if night.state == "interrupted":
        yield Finding(Severity.CRITICAL, "The last night was interrupted. The next one continues.")
    if night.state == "failed":
        yield Finding(Severity.CRITICAL, f"The last night failed: {night.failure}")
    hours = (status.now - dt.datetime.fromisoformat(night.ended or night.started)).total_seconds() / 3600
    if hours > settings.late_after_hours:
        what = "ended" if night.ended else "began"
        yield Finding(Severity.CRITICAL, f"The last night {what} {hours:,.0f} hours ago. Is the timer still set?")
    failed = sum(not item.file for item in night.refused)
    refused = len(night.refused) - failed
    for number, noun, what in (
        (failed, "exam", "failed"),
        (refused, "clip", "refused"),
        (len(night.problems), "folder or file", "not processed"),
    ):
        if number:
            noun = "folders or file" if what == "not processed" and number > 1 else noun
            yield Finding(Severity.WARNING, f"{plural(number, noun)} {what} in the last night.")
    for reason in filter(None, (night.warning, night.command)):
        yield Finding(Severity.WARNING, reason)


def _of_the_machine(status: Status, settings: NightSettings) -> Iterator[Finding]:
    people = status.people
    if status.store_trouble is not None:
        yield Finding(Severity.CRITICAL, status.store_trouble)
    if people.damage is not None:
        yield Finding(Severity.CRITICAL, people.damage)
    elif people.entries and people.last_copy is None:
        yield Finding(Severity.WARNING, "There is no copy of what people said (clutchlight backup).")
    elif people.entries and people.last_copy is not None:
        days = (status.now - people.last_copy).total_seconds() / 86_400
        if days > settings.copy_late_after_days:
            yield Finding(Severity.WARNING, f"The last copy of what people said is {days:,.0f} days old.")
    for reason in filter(None, (space_reason(status.out, settings), clock_reason(status.out, settings, status.now))):
        yield Finding(Severity.CRITICAL, reason)
    space = status.space
    if space is not None and settings.minimum_free_gb <= space.free_gb < settings.low_free_gb:
        yield Finding(Severity.WARNING, f"Only {space.free_gb:.1f} GB are free on the disk of the results.")
    if not status.is_calibrated:
        yield Finding(Severity.WARNING, "The network of the settings has no calibration of its own.")
    if status.night is not None and status.tonight is None:
        yield Finding(Severity.CRITICAL, f"The recordings' folder {status.night.root} cannot be reached.")
