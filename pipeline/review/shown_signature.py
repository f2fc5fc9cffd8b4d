"""What ``signed.html``, ``signed.pdf`` and ``signed.json`` of an exam show, and whether the journal says the same."""

from __future__ import annotations

import hashlib
import json
import os
from contextlib import closing
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from pipeline.people.chain import Tip
from pipeline.people.event_log import EventLog, ExamKey
from pipeline.people.journal import Journal
from pipeline.people.signatures import SIGNED_HTML, SIGNED_JSON, SIGNED_PDF, StoredSignature, current_signatures
from pipeline.store.exam_lists import ListedStore
from pipeline.store.output_database import has_store

__all__ = [
    "ShownSignature",
    "all_show_the_same",
    "show_the_same",
    "shown_signature",
    "signed_document",
    "unknown_signature",
]


@dataclass(frozen=True)
class ShownSignature:
    """What the files of an exam show. signed : of ``signed.json``, None if it is missing or cannot be read

    is_whole : whether sheet and PDF are there and are those that were written
    """

    signed: dict[str, Any] | None
    is_whole: bool


def shown_signature(folder: Path) -> ShownSignature | None:
    """What the folder of an exam shows, None if no such file is there."""
    # No Path for each, since this is asked of every exam.
    if not any(os.path.exists(f"{folder}/{name}") for name in (SIGNED_HTML, SIGNED_PDF, SIGNED_JSON)):  # noqa: PTH110
        return None
    sheet, paper, description = folder / SIGNED_HTML, folder / SIGNED_PDF, folder / SIGNED_JSON
    try:
        document = json.loads(description.read_text(encoding="utf-8"))
        signed = dict(document["signed"])
        is_whole = all(
            hashlib.sha256(path.read_bytes()).hexdigest() == document.get(key)
            for path, key in ((sheet, "sheet_sha256"), (paper, "pdf_sha256"))
        )
    except (OSError, ValueError, KeyError, TypeError):
        return ShownSignature(None, False)
    return ShownSignature(signed, is_whole)


def unknown_signature(shown: ShownSignature, exam: ExamKey, event_log: EventLog) -> str | None:
    """Who signed according to the files, if the journal never held that signature; else None."""
    signatures = [event for event in event_log.events(exam) if event.answer.kind == "signed"]
    if shown.signed is None:  # half of the files
        return None if signatures else "somebody"
    name = shown.signed.get("name")
    if "entry" in shown.signed:
        with event_log.journal.reading() as reader:
            is_known = reader.holds(Tip(shown.signed["entry"], str(shown.signed.get("sha256"))))
        return None if is_known else str(name)
    # Earlier versions wrote name and time only.
    known = {(event.answer.name, event.at) for event in signatures if event.answer.kind == "signed"}
    return None if (name, shown.signed.get("at")) in known else str(name)


def show_the_same(stored: StoredSignature | None, shown: ShownSignature | None) -> bool:
    """Whether the files show what the journal says. None : not signed, and no files"""
    if stored is None or shown is None:
        return stored is None and shown is None
    return shown.is_whole and shown.signed == signed_document(stored)


def all_show_the_same(out: Path) -> bool:
    """Whether all files of an output folder show what its journal says. True before its first batch."""
    if not has_store(out):
        return True
    with closing(Journal(out)) as journal, closing(ListedStore(out)) as store:
        signed = current_signatures(EventLog(journal))
        return all(
            show_the_same(signed.get(ExamKey(animal, date)), shown_signature(out / place))
            for animal, date, place in store.listed_folders()
        )


def signed_document(signature: StoredSignature) -> dict[str, Any]:
    """The signature as ``signed.json`` states it. sha256 : of the journal up to it"""
    return {
        "name": signature.name,
        "role": signature.role,
        "at": signature.at,
        "logged_in": signature.logged_in,
        "entry": signature.entry,
        "sha256": signature.digest,
    }
