"""Where the report's files lie, and how they come to lie there whole.

Each file is written under a hidden name in its own folder, flushed to the disk and renamed: after a crash the
old file is there or the new one, never half of one. One run at a time writes to an output folder.
"""

from __future__ import annotations

import errno
import os
from collections.abc import Iterable, Sequence
from pathlib import Path

from models.errors import ClutchlightError
from pipeline.estimate.finding import ExamFinding
from pipeline.exams import Exam, ExamProblem
from pipeline.report.coco import detections_chunks
from pipeline.report.dicom_sources import dicom_headers
from pipeline.report.evidence import in_order
from pipeline.report.index import index_html
from pipeline.report.mot import mot_lines
from pipeline.report.names import clip_labels, exam_folder
from pipeline.report.path import path_lines
from pipeline.report.pdf import sheet_pdf
from pipeline.report.result import ModelIdentity, dumps, result_document
from pipeline.report.sheet import sheet_html
from pipeline.report.sign_off import SignOff, read_sign_off
from pipeline.report.structured_report import structured_reports
from pipeline.report.summary import ExamSummary, summary_csv
from pipeline.report.tables import animals_parquet, eggs_csv, eggs_parquet
from pipeline.scan import ClipScan

__all__ = ["OutputError", "write_exam", "write_night", "write_whole"]

BUFFER_BYTES = 1 << 20


class OutputError(ClutchlightError):
    """A report file that could not be written; the text names it and says what to do."""


def write_exam(
    out: Path,
    exam: Exam,
    finding: ExamFinding,
    scans: Sequence[ClipScan],
    model: ModelIdentity,
    settings_sha256: str,
    sign_off: SignOff | None = None,
) -> Path:
    """Write all files of one exam under OUT/ANIMAL/DATE/ and return that folder. Raises OutputError.

    sign_off : of a person, which the sheet tells

    ``result.json`` comes last, so that where a first run was stopped half-way there is none.
    """
    folder = out / exam_folder(exam)
    clips = in_order(scans)
    labels = clip_labels([scan.file for scan in clips])
    used = {labels[scan.file]: scan for scan in clips if scan.status == "done"}
    followed = {f"{label}.mot.txt": mot_lines(finding, scan) for label, scan in used.items()}
    for label, scan in used.items():
        if scan.tracks.path is not None:
            followed[f"{label}.path.csv"] = path_lines(scan)
    for name, lines in followed.items():
        write_whole(folder / name, lines)
    reports = structured_reports(exam, finding, clips, dicom_headers(exam, clips), model)
    structured = {f"report-{number}.dcm": report for number, report in enumerate(reports, 1)}
    _remove_stale(folder, keep=followed.keys() | structured.keys())
    for name, report in structured.items():
        write_whole(folder / name, [report])
    write_whole(folder / "detections.coco.json", detections_chunks(exam, finding, clips))
    write_whole(folder / "report.html", [sheet_html(exam, finding, clips, model, settings_sha256, sign_off)])
    write_whole(folder / "report.pdf", [sheet_pdf(exam, finding, clips, model, settings_sha256)])
    result = result_document(exam, finding, clips, model, settings_sha256)
    write_whole(folder / "result.json", [dumps(result)])
    return folder


def write_night(out: Path, summaries: Sequence[ExamSummary], problems: Sequence[ExamProblem] = ()) -> None:
    """Write the tables and ``index.html`` over all exams under OUT. Raises OutputError."""
    write_whole(out / "summary.csv", [summary_csv(summaries)])
    write_whole(out / "eggs.csv", [eggs_csv(summaries)])
    write_whole(out / "animals.parquet", [animals_parquet(summaries)])
    write_whole(out / "eggs.parquet", [eggs_parquet(summaries)])
    has_record = (out / "record.html").is_file()
    sign_offs = {each.folder: read_sign_off(out / each.folder) for each in summaries}
    signed = {folder: sign_off for folder, sign_off in sign_offs.items() if sign_off is not None}
    write_whole(out / "index.html", [index_html(summaries, problems, has_record=has_record, signed=signed)])


def write_whole(path: Path, chunks: Iterable[bytes]) -> None:
    """Put a file there in one step, making its folder if need be. Raises OutputError.

    An error among the chunks themselves is passed on; in every case no part of the new file is left.
    """
    part = path.with_name(f".{path.name}.part")  # always the same, so that a crash leaves at most one
    try:
        path.parent.mkdir(parents=True, exist_ok=True)
        try:
            with part.open("wb", buffering=BUFFER_BYTES) as file:
                file.writelines(chunks)
                file.flush()
                os.fsync(file.fileno())
            part.replace(path)
        except BaseException:
            part.unlink(missing_ok=True)
            raise
        _settle(path.parent)
    except OSError as error:
        raise OutputError(f"{path} cannot be written: {_trouble(error)}") from error


def _settle(folder: Path) -> None:
    """Make the rename itself outlast a power cut, where the system lets a folder be opened."""
    if os.name != "posix":
        return
    descriptor = os.open(folder, os.O_RDONLY)
    try:
        os.fsync(descriptor)
    finally:
        os.close(descriptor)


def _remove_stale(folder: Path, keep: Iterable[str]) -> None:
    """Of a clip that is no longer in the exam, or no longer usable, nothing must pass for current."""
    kept = set(keep)
    try:
        if folder.is_dir():
            for path in (*folder.glob("*.mot.txt"), *folder.glob("*.path.csv"), *folder.glob("report-*.dcm")):
                if path.name not in kept:
                    path.unlink()
    except OSError as error:
        raise OutputError(f"an outdated file in {folder} cannot be removed: {_trouble(error)}") from error


def _trouble(error: OSError) -> str:
    """What is wrong and what to do, for the errors a station meets; else the system's own words."""
    in_the_way = "a file lies where a folder is needed. Move it away, or choose another folder with --out."
    advice = {
        errno.ENOSPC: "no space is left on the disk. Free some, then run again; finished clips are kept.",
        errno.EDQUOT: "the disk quota is used up. Free some space, then run again; finished clips are kept.",
        errno.EROFS: "the disk is read-only. Choose another folder with --out, or make it writable.",
        errno.EACCES: "permission is denied. Choose another folder with --out, or have its rights changed.",
        errno.EPERM: "permission is denied. Choose another folder with --out, or have its rights changed.",
        errno.ENOTDIR: in_the_way,
        errno.EEXIST: in_the_way,
        errno.EISDIR: "a folder of that name is in the way. Move it away, then run again.",
        errno.EIO: "the disk reported a fault. Check the disk, or choose another folder with --out.",
    }
    return advice.get(error.errno or 0, f"{error.strerror or error}. Choose another folder with --out.")
