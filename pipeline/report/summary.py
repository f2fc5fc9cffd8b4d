"""One exam in one line, for ``summary.csv`` and ``index.html``: small enough to keep in memory for a whole night."""

from __future__ import annotations

import csv
import datetime as dt
import io
import statistics
import unicodedata
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass
from types import MappingProxyType
from typing import Literal

from pipeline.estimate.results import Change, Count, ExamFinding
from pipeline.exams.exam import Exam
from pipeline.exams.folder_names import exam_folder
from pipeline.report.sightings import measured_sizes_mm
from pipeline.report.sign_off import SignOff
from pipeline.report.text import windows_text
from pipeline.report.thumbnail import most_doubtful
from pipeline.scan.clip_scan import ClipScan

__all__ = [
    "SUMMARY_COLUMNS",
    "ColumnType",
    "ExamSummary",
    "csv_bytes",
    "sorted_summaries",
    "summarise",
    "summary_csv",
    "summary_row",
]

ColumnType = Literal["text", "integer", "float", "date"]


@dataclass(frozen=True)
class ExamSummary:
    """An exam without its tables and pictures.

    folder : ANIMAL/DATE under the output folder, with "/" between
    frames, frames_used : summed over the clips that could be read;  windows : as text
    median_shelled_mm : length and width, None if no scale is known or no shelled egg was measured
    thumbnail : what the exam's thumbnail shows, "" if it has none
    """

    exam: Exam
    finding: ExamFinding
    folder: str
    clips: int
    clips_refused: int
    frames: int
    frames_used: int
    windows: str
    median_shelled_mm: tuple[float, float] | None
    thumbnail: str = ""

    @property
    def is_scanned(self) -> bool:
        """Whether any frame could be used. If not, a count of 0 means nothing."""
        return self.frames_used > 0

    @property
    def seen(self) -> str:
        if not self.is_scanned:
            return "not scanned"
        return "seen" if self.finding.shelled.estimate or self.finding.follicles.estimate else "none seen"

    def flag_codes(self, severity: str) -> list[str]:
        """The codes of the flags of one severity."""
        return [flag.code for flag in self.finding.flags if flag.severity == severity]


def summarise(exam: Exam, finding: ExamFinding, scans: Sequence[ClipScan]) -> ExamSummary:
    doubtful = most_doubtful(finding, scans)
    sizes = measured_sizes_mm([egg for egg in finding.eggs if egg.stage != "follicle"])
    return ExamSummary(
        exam=exam,
        finding=finding,
        folder=str(exam_folder(exam)),
        clips=len(scans),
        clips_refused=sum(scan.status == "refused" for scan in scans),
        frames=sum(scan.frames for scan in scans if scan.status == "done"),
        frames_used=sum(len(scan.used_frames) for scan in scans),
        windows=windows_text(scans),
        median_shelled_mm=(
            (statistics.median(length for length, _ in sizes), statistics.median(width for _, width in sizes))
            if sizes
            else None
        ),
        thumbnail=doubtful.text if doubtful else "",
    )


def summary_csv(summaries: Sequence[ExamSummary], signed: Mapping[str, SignOff] = MappingProxyType({})) -> bytes:
    """The table of a night as RFC 4180 CSV in UTF-8, by animal and date. signed : sign-offs by exam folder

    Counts are empty if she was not scanned, so that a zero is not read as a finding. Text that a spreadsheet would run
    as a formula gets an apostrophe in front (OWASP, "CSV Injection").
    """
    rows = (summary_row(summary, signed.get(summary.folder)) for summary in sorted_summaries(summaries))
    return csv_bytes([column.name for column in SUMMARY_COLUMNS], rows)


def csv_bytes(names: Sequence[str], rows: Iterable[Sequence[object]]) -> bytes:
    """A header and the rows as RFC 4180 CSV in UTF-8, safe to open in a spreadsheet."""
    text = io.StringIO(newline="")
    table = csv.writer(text, lineterminator="\r\n")
    table.writerow(names)
    table.writerows([_csv_cell(cell) for cell in row] for row in rows)
    return text.getvalue().encode("utf-8", "backslashreplace")


def sorted_summaries(summaries: Sequence[ExamSummary]) -> list[ExamSummary]:
    """By animal and date."""
    return sorted(summaries, key=lambda s: (s.exam.animal, s.exam.date, s.folder))


def summary_row(summary: ExamSummary, sign_off: SignOff | None) -> list[object]:
    """The values of ``SUMMARY_COLUMNS``. None if nothing is known, or if she was not scanned, or not signed."""
    return [column.value(summary, sign_off) for column in SUMMARY_COLUMNS]


@dataclass(frozen=True)
class SummaryColumn:
    """A column of the table of exams: what the program found (``found``), or what was signed (``signed``).

    type : of its values, None if missing
    """

    name: str
    type: ColumnType
    found: Callable[[ExamSummary], object] = lambda _: None
    signed: Callable[[SignOff], object] | None = None

    def value(self, summary: ExamSummary, sign_off: SignOff | None) -> object:
        if self.signed is None:
            return self.found(summary)
        return None if sign_off is None else self.signed(sign_off)


def _signed_column(name: str, type_: ColumnType, value: Callable[[SignOff], object]) -> SummaryColumn:
    return SummaryColumn(name, type_, signed=value)


def _if_scanned(value: Callable[[ExamFinding], object]) -> Callable[[ExamSummary], object]:
    return lambda summary: value(summary.finding) if summary.is_scanned else None


def _count_columns(name: str, count: Callable[[ExamFinding], Count]) -> tuple[SummaryColumn, ...]:
    return (
        SummaryColumn(f"{name}_estimate", "integer", _if_scanned(lambda finding: count(finding).estimate)),
        SummaryColumn(f"{name}_at_least", "integer", _if_scanned(lambda finding: count(finding).at_least)),
        SummaryColumn(f"{name}_low90", "integer", _if_scanned(lambda finding: count(finding).interval90[0])),
        SummaryColumn(f"{name}_high90", "integer", _if_scanned(lambda finding: count(finding).interval90[1])),
    )


def _median_mm(axis: int) -> Callable[[ExamSummary], object]:
    return lambda summary: None if summary.median_shelled_mm is None else round(summary.median_shelled_mm[axis], 1)


def _change(value: Callable[[Change], object]) -> Callable[[ExamSummary], object]:
    def of_summary(summary: ExamSummary) -> object:
        change = summary.finding.history.change
        return None if change is None else value(change)

    return of_summary


def _flags(severity: str) -> Callable[[ExamSummary], object]:
    return lambda summary: "; ".join(summary.flag_codes(severity))


SUMMARY_COLUMNS = (
    SummaryColumn("animal", "text", lambda summary: summary.exam.animal),
    SummaryColumn("exam_date", "date", lambda summary: summary.exam.date),
    SummaryColumn("species", "text", lambda summary: summary.exam.species),
    SummaryColumn("weight_g", "float", lambda summary: summary.exam.weight_g),
    SummaryColumn("carapace_mm", "float", lambda summary: summary.exam.carapace_mm),
    SummaryColumn("carapace_width_mm", "float", lambda summary: summary.exam.carapace_width_mm),
    SummaryColumn("eggs_passed_before", "integer", lambda summary: summary.exam.passed_before),
    SummaryColumn("seen", "text", lambda summary: summary.seen),
    *_count_columns("shelled", lambda finding: finding.shelled),
    *_count_columns("follicles", lambda finding: finding.follicles),
    SummaryColumn("stage", "text", _if_scanned(lambda finding: finding.stage)),
    SummaryColumn("stage_probability", "float", _if_scanned(lambda finding: round(finding.stage_probability, 3))),
    SummaryColumn("confidence", "float", _if_scanned(lambda finding: round(finding.confidence, 3))),
    SummaryColumn("median_shelled_length_mm", "float", _median_mm(0)),
    SummaryColumn("median_shelled_width_mm", "float", _median_mm(1)),
    SummaryColumn("eggs_passed_of_clutch", "integer", lambda summary: summary.finding.history.passed_of_clutch.number),
    SummaryColumn("days_since_exam_before", "integer", _change(lambda change: change.days)),
    SummaryColumn("shelled_fewer", "integer", _change(lambda change: change.fewer.estimate)),
    SummaryColumn("shelled_fewer_low90", "integer", _change(lambda change: change.fewer.interval90[0])),
    SummaryColumn("shelled_fewer_high90", "integer", _change(lambda change: change.fewer.interval90[1])),
    SummaryColumn("days_since_shells_first_seen", "integer", lambda summary: summary.finding.history.shell_days),
    SummaryColumn("clips", "integer", lambda summary: summary.clips),
    SummaryColumn("clips_refused", "integer", lambda summary: summary.clips_refused),
    SummaryColumn("frames", "integer", lambda summary: summary.frames),
    SummaryColumn("frames_used", "integer", lambda summary: summary.frames_used),
    SummaryColumn("windows_scanned", "text", lambda summary: summary.windows),
    SummaryColumn("flags_vet_today", "text", _flags("vet today")),
    SummaryColumn("flags_check", "text", _flags("check")),
    SummaryColumn("flags_note", "text", _flags("note")),
    _signed_column("signed_by", "text", lambda signed: signed.name),
    _signed_column("signed_role", "text", lambda signed: signed.role),
    _signed_column("signed_at", "text", lambda signed: signed.signed_at),
    _signed_column("signed_shelled", "integer", lambda signed: signed.shelled.estimate),
    _signed_column("signed_shelled_low90", "integer", lambda signed: signed.shelled.interval90[0]),
    _signed_column("signed_shelled_high90", "integer", lambda signed: signed.shelled.interval90[1]),
    _signed_column("signed_follicles", "integer", lambda signed: signed.follicles.estimate),
    _signed_column("signed_stage", "text", lambda signed: signed.stage),
    _signed_column("signed_all_confirmed", "text", lambda signed: "yes" if signed.is_confirmed else "no"),
    SummaryColumn("report", "text", lambda summary: f"{summary.folder}/report.html"),
)


def _csv_cell(cell: object) -> object:
    """Dates in ISO 8601; text that a spreadsheet would take for a formula gets an apostrophe in front."""
    if isinstance(cell, dt.date):
        return cell.isoformat()
    if not isinstance(cell, str):
        return cell
    # Spreadsheets skip leading blanks and invisible characters (categories Z and C). Some read full-width signs as the
    # plain ones, which NFKC does too.
    visible = (character for character in cell if unicodedata.category(character)[0] not in "ZC")
    first = unicodedata.normalize("NFKC", next(visible, ""))
    is_formula = first in ("=", "+", "-", "@") or cell[:1] in ("\t", "\r", "\n")
    return f"'{cell}" if is_formula else cell
