"""The signed sheet: the animal's sheet with the users' answers applied, who signed it, and what was changed.

It is written next to the batch's own files as ``signed.html``, ``signed.pdf`` and ``signed.json``. The batch never
changes those. They are removed when the exam is reopened; what was signed stays in the event log.
"""

from __future__ import annotations

import hashlib
from collections.abc import Callable
from contextlib import suppress
from dataclasses import dataclass, replace
from pathlib import Path

from pipeline.estimate.results import EggFinding
from pipeline.language.style import stored_style
from pipeline.people.answers import Redo, Undo
from pipeline.people.signatures import SIGNED_HTML, SIGNED_JSON, SIGNED_PDF, StoredSignature, current_signature
from pipeline.report.export.result import result_document, to_json_bytes
from pipeline.report.links import NO_NEIGHBOURS, sheet_links
from pipeline.report.pdf.sheet_pdf import sheet_pdf
from pipeline.report.season import lasting_index_of
from pipeline.report.sheet_content import sheet_content
from pipeline.report.sheet_html import sheet_html
from pipeline.report.sightings import EggPicture
from pipeline.report.sign_off import SignOff, sheet_signature
from pipeline.report.verdict import Signing
from pipeline.review.best_view import best_view, usable_clips
from pipeline.review.cases import ReviewCase
from pipeline.review.event_text import event_text
from pipeline.review.exam_review import ExamReview
from pipeline.review.frame_cache import FrameUnavailableError
from pipeline.review.replay import ReviewedEgg
from pipeline.review.shown_signature import signed_document
from pipeline.review.undo import undone_sequences
from pipeline.scan.clip_scan import ClipScan, ScanPicture
from pipeline.settings import settings_sha256
from pipeline.store.atomic_write import OutputError, write_atomically

__all__ = [
    "ReadFrame",
    "SignedPages",
    "current_picture",
    "load_signed_sheet",
    "remove_signed_sheet",
    "render_signed_sheet",
    "sync_signed_sheet",
]

ReadFrame = Callable[[ReviewCase, int, int], bytes]
"""(case, index of the clip in `usable_clips`, frame number) to the frame as JPEG. Raises FrameUnavailableError."""


def current_picture(
    egg: ReviewedEgg, finding: EggFinding, case: ReviewCase, read_frame: ReadFrame
) -> EggPicture | None:
    """The best picture of an egg, read from its clip; None if no clip shows it. Raises FrameUnavailableError."""
    clips = usable_clips(case.scans)
    best = best_view(egg, clips)
    if best is None:
        return None
    scan = clips[best.clip_index]
    sighting = next((one for one in finding.sightings if one.clip == scan.file), finding.sightings[0])
    return EggPicture(
        scan, sighting, ScanPicture(best.frame, best.ellipse, read_frame(case, best.clip_index, best.frame))
    )


@dataclass(frozen=True)
class SignedPages:
    """The signed sheet for a screen and for paper."""

    html: bytes
    pdf: bytes


def render_signed_sheet(reviewed: ExamReview, read_frame: ReadFrame) -> SignedPages | None:
    """None while the exam is not signed."""
    case, stored = reviewed.case, current_signature(reviewed.events)
    if stored is None:
        return None
    pages, sign_off = case.settings.pages, SignOff.of(stored)
    with pages.style():
        signature = sheet_signature(sign_off, pages, changes=_changes(reviewed, stored), is_signed_sheet=True)
        content = sheet_content(
            case.exam,
            reviewed.finding,
            _scans_with_pictures(reviewed, read_frame),
            case.model,
            settings_sha256(case.settings),
            station=pages.station,
            signing=Signing(sign_off, case.summary.finding.shelled),
            links=sheet_links(
                case.summary.folder,
                lasting_index_of(case.exam.date, pages),
                pages.review_address,
                NO_NEIGHBOURS,
                is_signed_sheet=True,
            ),
        )
        return SignedPages(sheet_html(content, signature), sheet_pdf(content, signature))


def load_signed_sheet(out: Path, case: ReviewCase) -> bytes | None:
    """The sheet as it was signed, None if its file is missing."""
    try:
        return (out / case.summary.folder / SIGNED_HTML).read_bytes()
    except OSError:
        return None


def sync_signed_sheet(out: Path, reviewed: ExamReview, read_frame: ReadFrame) -> None:
    """Write the signed sheet into the exam's folder, or remove it if the exam is open. Raises OutputError."""
    case = reviewed.case
    folder = out / case.summary.folder
    signature = current_signature(reviewed.events)
    pages = render_signed_sheet(reviewed, read_frame)
    if signature is None or pages is None:
        remove_signed_sheet(folder)
        return
    sha256 = settings_sha256(case.settings)
    with stored_style():
        result = result_document(case.exam, reviewed.finding, case.scans, case.model, sha256)
    document = {
        "schema": "clutchlight/signed-result/2",
        "signed": signed_document(signature),
        "sheet_sha256": hashlib.sha256(pages.html).hexdigest(),
        "pdf_sha256": hashlib.sha256(pages.pdf).hexdigest(),
        "changes": [
            {"sequence": event.sequence, "at": event.at, "person": event.person, "answer": event.answer.model_dump()}
            for event in reviewed.events
        ],
        "result": result,
    }
    write_atomically(folder / SIGNED_HTML, [pages.html])
    write_atomically(folder / SIGNED_PDF, [pages.pdf])
    write_atomically(folder / SIGNED_JSON, [to_json_bytes(document)])


def remove_signed_sheet(folder: Path) -> None:
    """Raises OutputError."""
    try:
        for name in (SIGNED_JSON, SIGNED_PDF, SIGNED_HTML):
            (folder / name).unlink(missing_ok=True)
    except OSError as error:
        raise OutputError(f"the signed sheet in {folder} cannot be removed: {error.strerror}.") from error


def _scans_with_pictures(reviewed: ExamReview, read_frame: ReadFrame) -> list[ClipScan]:
    """The scans with the corrected tracks, and with pictures of the eggs that the batch has none of."""
    pictures: dict[str, dict[int, ScanPicture]] = {}
    regrouped = {egg.number: egg for egg in reviewed.state.eggs if egg.is_regrouped}
    for finding in reviewed.finding.eggs:
        if finding.identity in regrouped:
            with suppress(FrameUnavailableError):  # the recording is gone; the sheet says that there is no picture
                found = current_picture(regrouped[finding.identity], finding, reviewed.case, read_frame)
                if found is not None:
                    pictures.setdefault(found.scan.file, {})[found.sighting.track] = found.picture
    # The finding's sightings refer to the corrected tracks.
    tracks = {clip.file: clip for clip in reviewed.case.corrected_inputs(reviewed.state).clips}
    return [
        replace(
            scan,
            tracks=tracks.get(scan.file, scan.tracks),
            pictures={**scan.pictures, **pictures.get(scan.file, {})},
        )
        for scan in reviewed.case.scans
    ]


def _changes(reviewed: ExamReview, signature: StoredSignature) -> tuple[str, ...]:
    """What people answered, one line each, without what was undone."""
    hidden = undone_sequences(reviewed.events)
    return tuple(
        f"{event.person}: {event_text(event)}"
        for event in reviewed.events
        if event.sequence not in hidden and event.entry != signature.entry and not isinstance(event.answer, Undo | Redo)
    )
