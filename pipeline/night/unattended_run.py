"""The nightly run with all that surrounds it: checks before, a record and a log of it, and a command after it."""

from __future__ import annotations

import datetime as dt
import logging
from collections.abc import Callable
from contextlib import ExitStack
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING, Unpack

from models.errors import ClutchlightError
from pipeline.batch.events import BatchEvent, EventListener, ExamFinished, RunPlanned, ignore_event
from pipeline.batch.run import RunOptions
from pipeline.batch.run_report import BatchReport, ClipStatus, ExamReport, ExamStatus
from pipeline.locations.location import Location
from pipeline.night.command_after import run_command_after
from pipeline.night.log_file import logging_to
from pipeline.night.night_record import NightRecord, ended_night, read_night, write_night
from pipeline.night.readiness import check_readiness
from pipeline.review.batch_with_signatures import run_batch_with_signatures
from pipeline.settings import Settings
from pipeline.store.atomic_write import OutputError
from pipeline.store.lock import LockedError
from pipeline.store.output_database import has_store

if TYPE_CHECKING:
    from pipeline.batch.workers import DetectorLoader

__all__ = ["run_unattended"]

log = logging.getLogger(__name__)


def run_unattended(
    root: Location,
    out: Path,
    settings: Settings,
    load_detector: DetectorLoader,
    *,
    exit_code: Callable[[BatchReport], int],
    exit_code_of_error: Callable[[ClutchlightError], int],
    **options: Unpack[RunOptions],
) -> BatchReport:
    """`pipeline.review.batch_with_signatures.run_batch_with_signatures`, with ``[night]`` of the settings around it.

    exit_code, exit_code_of_error : of the command, for the record

    Raises NotReadyError before anything is written, and what that raises. Where there are results already, the
    record of the night says so, and the command after the night runs in that case, too; but not if another run works in
    ``out``, which has its own record.
    """
    root, out = root.resolve(), out.resolve()
    with ExitStack() as stack:
        night = _Night(root, out, settings, options.get("on_event", ignore_event), stack)
        try:
            check_readiness(out, settings.night, _now())
            listening: RunOptions = {**options, "on_event": night.listen}
            report = run_batch_with_signatures(root, out, settings, load_detector, **listening)
        except LockedError:
            raise
        except ClutchlightError as error:
            night.end(replace(night.record, state="failed", failure=str(error), exit_code=exit_code_of_error(error)))
            raise
        except KeyboardInterrupt:
            night.end(replace(night.record, state="interrupted"))
            raise
        except Exception as error:
            log.exception("night fails", extra={"fields": {"failure": str(error)}})
            failure = f"unexpected {type(error).__name__}: {error}"
            night.end(replace(night.record, state="failed", failure=failure))
            raise
        command = night.end(ended_night(night.record, report, exit_code(report)))
        return replace(report, command=command)


class _Night:
    """Writes the record and the log of one night. record : as far as it is known"""

    def __init__(
        self, root: Location, out: Path, settings: Settings, on_event: EventListener, stack: ExitStack
    ) -> None:
        self._out = out
        self._settings = settings.night
        self._on_event = on_event
        self._stack = stack
        self._is_logging = False
        last = read_night(out)
        self.record = NightRecord(
            started=_now().isoformat(timespec="seconds"),
            root=str(root),
            station=settings.pages.station,
            # They are known anew only when this night ends.
            network=last.network if last else None,
            waiting=last.waiting if last else (),
        )

    def listen(self, event: BatchEvent) -> None:
        if isinstance(event, RunPlanned):  # from now on this run holds the lock of the folder
            self._begin()
            fields = {"root": self.record.root, "exams": event.exams, "clips": event.clips}
            log.info("night begins", extra={"fields": fields})
        elif isinstance(event, ExamFinished):
            _log_exam(event.report)
        self._on_event(event)

    def end(self, record: NightRecord) -> str | None:
        """Write the record and the end of the log, and run the command. Returns why the command failed.

        A full disk must not hide how the night ended, so what cannot be written here is only logged.
        """
        record = replace(record, ended=_now().isoformat(timespec="seconds"))
        if not has_store(self._out):
            return None  # nothing was ever written here, and nothing is
        self._open_log()
        for problem in record.problems:
            log.warning("problem", extra={"fields": {"reason": problem}})
        ending = {"state": record.state, "exit_code": record.exit_code, "exams": record.exams, "clips": record.clips}
        log.log(
            logging.INFO if record.failure is None else logging.ERROR,
            "night ends",
            extra={"fields": {**ending, "failure": record.failure}},
        )
        self._write(record)
        failed = run_command_after(self._out, record, self._settings)
        if failed is not None:
            log.error("command failed", extra={"fields": {"reason": failed}})
            self._write(replace(record, command=failed))
        return failed

    def _begin(self) -> None:
        self._open_log()
        self._write(self.record)

    def _open_log(self) -> None:
        if self._is_logging:
            return
        self._is_logging = True
        try:
            self._stack.enter_context(logging_to(self._out, self._settings))
        except OSError as error:
            log.warning("%s: the log cannot be written (%s).", self._out / "logs", error.strerror)

    def _write(self, record: NightRecord) -> None:
        try:
            write_night(self._out, record)
        except OutputError as error:
            log.warning("%s", error)


def _log_exam(report: ExamReport) -> None:
    exam = {"animal": report.animal, "exam": report.date}
    for clip in report.clips:
        if clip.status == ClipStatus.REFUSED:
            fields = {**exam, "file": clip.file, "reason": clip.reason}
            log.warning("clip refused", extra={"fields": fields})
    if report.status == ExamStatus.FAILED:
        fields = {**exam, "reason": report.reason, "traceback": report.trace}
        log.error("exam failed", extra={"fields": fields})
    elif report.status == ExamStatus.WRITTEN:
        log.info("exam written", extra={"fields": {**exam, "clips": len(report.clips)}})


def _now() -> dt.datetime:
    return dt.datetime.now(dt.UTC)
