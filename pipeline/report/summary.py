"""One line per exam: what ``summary.csv`` and ``index.html`` tell of it, small enough to keep for a night."""

from __future__ import annotations

import csv
import datetime as dt
import io
import statistics
import unicodedata
from collections.abc import Sequence
from dataclasses import dataclass

from pipeline.estimate.results import ExamFinding, History
from pipeline.exams.exam_search import Exam
from pipeline.exams.folder_names import exam_folder
from pipeline.report.sightings import measured_sizes_mm
from pipeline.report.text import windows_text
from pipeline.scan.clip_scan import ClipScan

__all__ = [
    "SUMMARY_COLUMNS",
    "ExamSummary",
    "escape_formula",
    "sorted_summaries",
    "summarise",
    "summary_csv",
    "summary_row",
]

SUMMARY_COLUMNS = (
    "animal", "exam_date", "species", "weight_g", "carapace_mm", "carapace_width_mm", "eggs_passed_before",
    "seen", "shelled_estimate", "shelled_at_least", "shelled_low90", "shelled_high90",
    "follicles_estimate", "follicles_at_least", "follicles_low90", "follicles_high90",
    "stage", "stage_probability", "confidence", "median_shelled_length_mm", "median_shelled_width_mm",
    "eggs_passed_of_clutch", "days_since_exam_before", "shelled_fewer", "shelled_fewer_low90", "shelled_fewer_high90",
    "days_since_shells_first_seen",
    "clips", "clips_refused", "frames", "frames_used", "windows_scanned",
    "flags_vet_today", "flags_check", "flags_note", "report",
)  # fmt: skip


@dataclass(frozen=True)
class ExamSummary:
    """An exam without its tables and pictures.

    folder : ANIMAL/DATE under the output folder, with "/" between
    median_shelled_mm : length and width, None where no scale is known or no shelled egg was measured
    frames, frames_used : over the clips that could be used;  windows : in words
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

    @property
    def is_scanned(self) -> bool:
        """Whether there was anything to look at; if not, a count of 0 says nothing."""
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
    )


def summary_csv(summaries: Sequence[ExamSummary]) -> bytes:
    """The table of a night as RFC 4180 CSV in UTF-8, by animal and date.

    Counts are left empty where she was not scanned, lest a zero be read as a finding. A text that a
    spreadsheet would run as a formula is preceded by an apostrophe (OWASP, "CSV Injection").
    """
    text = io.StringIO(newline="")
    table = csv.writer(text, lineterminator="\r\n")
    table.writerow(SUMMARY_COLUMNS)
    for summary in sorted_summaries(summaries):
        table.writerow([escape_formula(cell) for cell in summary_row(summary)])
    return text.getvalue().encode("utf-8", "backslashreplace")


def sorted_summaries(summaries: Sequence[ExamSummary]) -> list[ExamSummary]:
    """By animal and date."""
    return sorted(summaries, key=lambda s: (s.exam.animal, s.exam.date, s.folder))


def summary_row(summary: ExamSummary) -> list[object]:
    """The values of the columns; None where nothing is known, or where she was not scanned."""
    exam, finding = summary.exam, summary.finding
    counts: list[object] = []
    for count in (finding.shelled, finding.follicles):
        counts += [count.estimate, count.at_least, *count.interval90] if summary.is_scanned else [None] * 4
    length, width = summary.median_shelled_mm or (None, None)
    return [
        exam.animal,
        exam.date,
        exam.species,
        exam.weight_g,
        exam.carapace_mm,
        exam.carapace_width_mm,
        exam.passed_before,
        summary.seen,
        *counts,
        finding.stage if summary.is_scanned else None,
        round(finding.stage_probability, 3) if summary.is_scanned else None,
        round(finding.confidence, 3) if summary.is_scanned else None,
        None if length is None else round(length, 1),
        None if width is None else round(width, 1),
        *_history_cells(finding.history),
        summary.clips,
        summary.clips_refused,
        summary.frames,
        summary.frames_used,
        summary.windows,
        *("; ".join(summary.flag_codes(severity)) for severity in ("vet today", "check", "note")),
        f"{summary.folder}/report.html",
    ]


def _history_cells(history: History) -> list[object]:
    change = history.change
    since: list[object] = [None] * 4
    if change is not None:
        since = [change.days, change.fewer.estimate, *change.fewer.interval90]
    return [history.passed_of_clutch.number, *since, history.shell_days]


def escape_formula(cell: object) -> object:
    """A cell that no spreadsheet takes for a formula; days as in ISO 8601."""
    if isinstance(cell, dt.date):
        return cell.isoformat()
    if not isinstance(cell, str):
        return cell
    # Spreadsheets skip leading blanks, and some take the full-width signs for the plain ones, as NFKC does.
    first = unicodedata.normalize("NFKC", cell.lstrip()[:1])
    is_formula = first in ("=", "+", "-", "@") or cell[:1] in ("\t", "\r", "\n")
    return f"'{cell}" if is_formula else cell
