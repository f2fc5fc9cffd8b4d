"""The status in words: for a terminal, and as a plain text to be mailed."""

from __future__ import annotations

import datetime as dt
from collections.abc import Iterator

from models.printable import printable
from pipeline.formatting import plural
from pipeline.night.night_record import NightRecord
from pipeline.night.status import Severity, Status
from pipeline.report.waiting import NEEDS

__all__ = ["mail_text", "status_text"]

LISTED = 20  # of waiting exams, and of refused clips, that the text names (common practice, no source)

HEADINGS = {Severity.FINE: "All is well.", Severity.WARNING: "Please look at this.", Severity.CRITICAL: "Please act."}


def status_text(status: Status) -> str:
    """Some 20 to 60 lines, each of them printable."""
    return "\n".join(printable(line) for line in _lines(status))


def mail_text(status: Status, host: str) -> str:
    """The same below the header lines of a mail, for a program such as sendmail -t: add your own "To:" before it."""
    subject = f"Subject: Clutchlight on {printable(host)}: {HEADINGS[status.severity].removesuffix('.').lower()}"
    kind = "MIME-Version: 1.0\nContent-Type: text/plain; charset=utf-8"
    return f"{subject}\n{kind}\n\n{status_text(status)}"


def _lines(status: Status) -> Iterator[str]:
    yield HEADINGS[status.severity]
    for finding in status.findings:
        yield f"  {finding.severity.name.lower()}: {finding.reason}"
    if status.night is not None:
        yield ""
        yield from _night_lines(status.night, status.is_running)
    yield ""
    if status.tonight is not None:
        tonight = status.tonight
        gone = f", {tonight.gone:,} no longer there" if tonight.gone else ""
        yield f"Tonight: {tonight.new:,} new, {tonight.changed:,} changed, {tonight.retried:,} looked at again{gone}."
    yield from _waiting_lines(status)
    yield ""
    people, network, space = status.people, status.network, status.space
    if network is not None:
        calibrated = "calibrated" if status.is_calibrated else "without a calibration of its own"
        yield f"Network: {network.name} ({network.sha256[:12]}, {network.engine}), {calibrated}."
    if people.damage is None:
        copied = _moment(people.last_copy.isoformat()) if people.last_copy else "never"
        signed = plural(people.signed, "signed exam")
        yield f"What people said: {people.entries:,} entries, {signed}; last copied {copied}."
    if space is not None:
        yield f"Disk of the results: {space.free_gb:,.1f} GB free."


def _night_lines(night: NightRecord, is_running: bool) -> Iterator[str]:
    if is_running:
        yield f"A night began {_moment(night.started)} and is running."
        return
    ended = f", ended {_moment(night.ended)}" if night.ended else ""
    yield f"Last night: began {_moment(night.started)}{ended}; {night.state}."
    for name, numbers in (("Exams", night.exams), ("Clips", night.clips)):
        if numbers:
            yield f"  {name}: {', '.join(f'{number:,} {status}' for status, number in numbers.items())}."
    for item in night.refused[:LISTED]:
        yield f"  {item.animal} {item.date} {item.file}: {item.reason}".replace(" :", ":")
    for problem in night.problems[:LISTED]:
        yield f"  {problem}"
    more = max(len(night.refused) - LISTED, 0) + max(len(night.problems) - LISTED, 0)
    if more:
        yield f"  and {more:,} more in the log."


def _waiting_lines(status: Status) -> Iterator[str]:
    if not status.waiting:
        yield "No exam waits for a person."
        return
    for need, who in NEEDS.items():
        exams = [exam for exam in status.waiting if exam.need == need]
        if exams:
            yield f"{who}: {plural(len(exams), 'unsigned exam')}."
        for exam in exams[:LISTED]:
            yield f"  {exam.animal} {exam.date}: {exam.what}"
        if len(exams) > LISTED:
            yield f"  and {len(exams) - LISTED:,} more on the index."


def _moment(moment: str) -> str:
    return f"{dt.datetime.fromisoformat(moment):%Y-%m-%d %H:%M} UTC"
