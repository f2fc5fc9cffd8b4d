"""The files of one exam as bytes, made from its estimate and its scans. Nothing is written here."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from functools import cached_property

from pipeline.estimate.results import ExamFinding
from pipeline.exams.exam import Exam
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
from pipeline.report.sheet_content import SheetContent, sheet_content
from pipeline.report.sheet_html import sheet_html
from pipeline.report.sightings import sorted_scans
from pipeline.report.sign_off import SignOff, sheet_signature
from pipeline.report.thumbnail import THUMBNAIL, thumbnail_jpeg
from pipeline.report.verdict import Signing
from pipeline.scan.clip_scan import ClipScan
from pipeline.settings_tables import PLAIN_PAGES, PageSettings

__all__ = ["EstimatedExam", "FileContents", "exam_files", "sheet_and_result"]

FileContents = dict[str, Iterable[bytes]]
"""The chunks of each file, by name and in the order in which they are to be written. Some are made as they are read, so
that memory does not grow with the clip."""


@dataclass(frozen=True)
class EstimatedExam:
    """An exam with everything that its files depend on.

    settings_sha256 : of the settings that decided the finding
    sign_off : the signature that the sheet shows, if the exam is signed
    pages : how the sheet looks;  neighbours : the animal's other exams, to be linked
    """

    exam: Exam
    finding: ExamFinding
    scans: Sequence[ClipScan]
    model: ModelIdentity
    settings_sha256: str
    sign_off: SignOff | None = None
    pages: PageSettings = PLAIN_PAGES
    neighbours: Neighbours = NO_NEIGHBOURS

    @cached_property
    def clips(self) -> list[ClipScan]:
        """The scans in the order of the sheet."""
        return sorted_scans(self.scans)

    @property
    def sheet(self) -> SheetContent:
        """What is on the sheet, in the language that is in use."""
        folder = str(exam_folder(self.exam))
        return sheet_content(
            self.exam,
            self.finding,
            self.clips,
            self.model,
            self.settings_sha256,
            station=self.pages.station,
            signing=Signing(self.sign_off, self.finding.shelled),
            links=sheet_links(
                folder,
                lasting_index_of(self.exam.date, self.pages),
                self.pages.review_address,
                self.neighbours,
                is_signed_sheet=False,
            ),
        )


def exam_files(estimated: EstimatedExam) -> FileContents:
    """All files of an exam. ``result.json`` is the last one, so it is missing if writing was stopped half-way.

    Of recordings that are DICOM files, the headers are read.
    """
    exam, finding, clips = estimated.exam, estimated.finding, estimated.clips
    stems = clip_file_stems([scan.file for scan in clips])
    files: FileContents = {}
    for scan in clips:
        if scan.status == "done":
            files[f"{stems[scan.file]}.mot.txt"] = mot_lines(finding, scan)
            if scan.tracks.courses:
                files[f"{stems[scan.file]}.path.csv"] = probe_path_lines(scan)
    reports = structured_reports(exam, finding, clips, dicom_headers(exam, clips), estimated.model)
    files |= {f"report-{number}.dcm": [report] for number, report in enumerate(reports, 1)}
    files["detections.coco.json"] = detections_chunks(exam, finding, clips)
    if (thumbnail := thumbnail_jpeg(finding, clips)) is not None:
        files[THUMBNAIL] = [thumbnail]
    return files | sheet_and_result(estimated)


def sheet_and_result(estimated: EstimatedExam) -> FileContents:
    """Those files of an exam that need no recording: the sheet for a screen and on paper, and ``result.json``."""
    pages, sign_off = estimated.pages, estimated.sign_off
    with pages.style():
        content = estimated.sheet
        signature = sheet_signature(sign_off, pages) if sign_off else None
        html, pdf = sheet_html(content, signature), sheet_pdf(content, signature)
    result = result_document(
        estimated.exam, estimated.finding, estimated.clips, estimated.model, estimated.settings_sha256
    )
    return {"report.html": [html], "report.pdf": [pdf], "result.json": [to_json_bytes(result)]}
