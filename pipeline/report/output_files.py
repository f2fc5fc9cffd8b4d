"""Writes the files of one exam into the output folder.

Each file is written atomically: after a crash there is the old file or the new one, never half of one. Only one run at
a time writes to an output folder.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from pathlib import Path

from pipeline.estimate.results import ExamFinding
from pipeline.exams.exam_search import Exam
from pipeline.exams.folder_names import clip_file_stems, exam_folder
from pipeline.report.export.coco import detections_chunks
from pipeline.report.export.dicom_sources import dicom_headers
from pipeline.report.export.mot import mot_lines
from pipeline.report.export.probe_path_csv import probe_path_lines
from pipeline.report.export.result import ModelIdentity, result_document, to_json_bytes
from pipeline.report.export.structured_report import structured_reports
from pipeline.report.links import NO_NEIGHBOURS, Neighbours, sheet_links
from pipeline.report.pdf.sheet_pdf import sheet_pdf
from pipeline.report.season import lasting_index_of
from pipeline.report.sheet_content import sheet_content
from pipeline.report.sheet_html import sheet_html
from pipeline.report.sightings import sorted_scans
from pipeline.report.sign_off import SignOff, sheet_signature
from pipeline.report.thumbnail import THUMBNAIL, thumbnail_jpeg
from pipeline.report.verdict import Signing
from pipeline.scan.clip_scan import ClipScan
from pipeline.settings import PLAIN_PAGES, PageSettings
from pipeline.store.atomic_write import OutputError, write_atomically, write_trouble

__all__ = ["write_exam_files", "write_sheet_and_result"]


def write_exam_files(
    out: Path,
    exam: Exam,
    finding: ExamFinding,
    scans: Sequence[ClipScan],
    model: ModelIdentity,
    settings_sha256: str,
    sign_off: SignOff | None = None,
    *,
    pages: PageSettings = PLAIN_PAGES,
    neighbours: Neighbours = NO_NEIGHBOURS,
) -> Path:
    """Write all files of one exam under OUT/ANIMAL/DATE/ and return that folder. Raises OutputError.

    sign_off : the signature that the sheet shows, if the exam is signed
    pages : how the sheet looks;  neighbours : the animal's other exams, to be linked

    ``result.json`` is written last, so it is missing if a first run was stopped half-way.
    """
    folder = out / exam_folder(exam)
    clips = sorted_scans(scans)
    stems = clip_file_stems([scan.file for scan in clips])
    usable = {stems[scan.file]: scan for scan in clips if scan.status == "done"}
    track_files = {f"{stem}.mot.txt": mot_lines(finding, scan) for stem, scan in usable.items()}
    for stem, scan in usable.items():
        if scan.tracks.courses:
            track_files[f"{stem}.path.csv"] = probe_path_lines(scan)
    for name, lines in track_files.items():
        write_atomically(folder / name, lines)
    reports = structured_reports(exam, finding, clips, dicom_headers(exam, clips), model)
    structured = {f"report-{number}.dcm": report for number, report in enumerate(reports, 1)}
    _remove_stale(folder, keep=track_files.keys() | structured.keys())
    for name, report in structured.items():
        write_atomically(folder / name, [report])
    write_atomically(folder / "detections.coco.json", detections_chunks(exam, finding, clips))
    if (thumbnail := thumbnail_jpeg(finding, clips)) is not None:
        write_atomically(folder / THUMBNAIL, [thumbnail])
    write_sheet_and_result(
        out, exam, finding, scans, model, settings_sha256, sign_off, pages=pages, neighbours=neighbours
    )
    return folder


def write_sheet_and_result(
    out: Path,
    exam: Exam,
    finding: ExamFinding,
    scans: Sequence[ClipScan],
    model: ModelIdentity,
    settings_sha256: str,
    sign_off: SignOff | None = None,
    *,
    pages: PageSettings = PLAIN_PAGES,
    neighbours: Neighbours = NO_NEIGHBOURS,
) -> None:
    """Write of one exam what needs no recording: the sheet as HTML and PDF, and ``result.json``. Raises OutputError.

    The arguments are those of `write_exam_files`.
    """
    folder, clips = out / exam_folder(exam), sorted_scans(scans)
    with pages.style():
        _write_sheet(folder, exam, finding, clips, model, settings_sha256, sign_off, pages, neighbours)
    result = result_document(exam, finding, clips, model, settings_sha256)
    write_atomically(folder / "result.json", [to_json_bytes(result)])


def _write_sheet(
    folder: Path,
    exam: Exam,
    finding: ExamFinding,
    clips: Sequence[ClipScan],
    model: ModelIdentity,
    settings_sha256: str,
    sign_off: SignOff | None,
    pages: PageSettings,
    neighbours: Neighbours,
) -> None:
    """The sheet for a screen and on paper."""
    content = sheet_content(
        exam,
        finding,
        clips,
        model,
        settings_sha256,
        station=pages.station,
        signing=Signing(sign_off, finding.shelled),
        links=sheet_links(
            str(exam_folder(exam)),
            lasting_index_of(exam.date, pages),
            pages.review_address,
            neighbours,
            is_signed_sheet=False,
        ),
    )
    signature = sheet_signature(sign_off, pages) if sign_off else None
    write_atomically(folder / "report.html", [sheet_html(content, signature)])
    write_atomically(folder / "report.pdf", [sheet_pdf(content, signature)])


def _remove_stale(folder: Path, keep: Iterable[str]) -> None:
    """Remove the files of clips that are no longer in the exam, or no longer usable, so that none looks current."""
    kept = set(keep)
    try:
        if folder.is_dir():
            patterns = ("*.mot.txt", "*.path.csv", "report-*.dcm", THUMBNAIL)
            for path in (path for pattern in patterns for path in folder.glob(pattern)):
                if path.name not in kept:
                    path.unlink()
    except OSError as error:
        raise OutputError(f"an outdated file in {folder} cannot be removed: {write_trouble(error)}") from error
