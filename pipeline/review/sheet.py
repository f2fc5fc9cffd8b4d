"""The signed sheet: the animal's sheet with what people made certain, who signed it, and what they changed.

It lies beside the batch's own files as ``signed.html`` and ``signed.json``. The batch never touches those, and they go
when the exam is opened again; what was signed then stays in the journal.
"""

from __future__ import annotations

from pathlib import Path

from pipeline.report.files import OutputError, write_whole
from pipeline.report.result import dumps, result_document
from pipeline.report.sheet import sheet_html
from pipeline.report.signature import SheetSignature
from pipeline.report.words import count_words, likely_words
from pipeline.review.answers import Redo, Undo
from pipeline.review.desk import Reviewed
from pipeline.review.sayings import in_words, moment
from pipeline.settings import settings_sha256

__all__ = ["keep_sheet", "signed_sheet"]


def signed_sheet(reviewed: Reviewed) -> bytes | None:
    """The page, None while the exam is not signed."""
    case, signature = reviewed.case, _signature(reviewed)
    if signature is None:
        return None
    sha256 = settings_sha256(case.settings)
    return sheet_html(case.exam, reviewed.finding, case.scans, case.model, sha256, signature)


def keep_sheet(out: Path, reviewed: Reviewed) -> None:
    """Write the signed sheet into the exam's folder, or take it away where the exam is open. Raises OutputError."""
    case, signature = reviewed.case, _signature(reviewed)
    folder = out / case.summary.folder
    page = signed_sheet(reviewed)
    if signature is None or page is None:
        try:
            for name in ("signed.html", "signed.json"):
                (folder / name).unlink(missing_ok=True)
        except OSError as error:
            raise OutputError(f"the signed sheet in {folder} cannot be removed: {error.strerror}.") from error
        return
    sha256 = settings_sha256(case.settings)
    document = {
        "schema": "clutchlight/signed-result/1",
        "signed": {"name": signature.name, "role": signature.role, "at": _at(reviewed)},
        "changes": [
            {"sequence": event.sequence, "at": event.at, "person": event.person, "answer": event.answer.model_dump()}
            for event in reviewed.events
        ],
        "result": result_document(case.exam, reviewed.finding, case.scans, case.model, sha256),
    }
    write_whole(folder / "signed.html", [page])
    write_whole(folder / "signed.json", [dumps(document)])


def _signature(reviewed: Reviewed) -> SheetSignature | None:
    signed, alone = reviewed.state.signed, reviewed.case.summary.finding
    if signed is None:
        return None
    taken_back = {event.answer.of for event in reviewed.events if isinstance(event.answer, Undo)}
    given_again = {event.answer.of for event in reviewed.events if isinstance(event.answer, Redo)}
    hidden = taken_back - given_again
    changes = tuple(
        f"{event.person}: {in_words(event)}"
        for event in reviewed.events
        if event.sequence != signed.sequence
        and event.sequence not in hidden
        and not isinstance(event.answer, Undo | Redo)
    )
    return SheetSignature(
        name=signed.name,
        role=signed.role,
        at=moment(signed.at),
        program=f"{count_words(alone.shelled, 'shelled egg')}, {likely_words(alone.shelled)}",
        changes=changes,
    )


def _at(reviewed: Reviewed) -> str | None:
    return None if reviewed.state.signed is None else reviewed.state.signed.at
