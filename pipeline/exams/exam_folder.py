"""The exam in one folder.

A folder that holds recordings or an ``exam.toml`` (the side file) is an exam. What the side file does not give is taken
from the folder names ``ANIMAL/DATE``; what is still unknown is None. Inside an exam folder, a folder that holds only
stills is one clip, with the stills as its frames. A still directly in the exam folder is a clip of its own.
"""

from __future__ import annotations

import datetime as dt
import re
import unicodedata
from collections.abc import Iterator

from configs.reading import read_toml
from models.errors import ClutchlightError
from models.printable import is_printable, printable
from pipeline.exams.exam import Exam, ExamClip, Window
from pipeline.exams.exam_file import ClipNote, ExamFile
from pipeline.exams.folder_search import FoundFolder, is_folder
from pipeline.exams.folder_state import date_of_name
from pipeline.exams.path_checks import invalid_name_reason, rejection_reason
from pipeline.ingest.file_types import is_recording
from pipeline.locations.location import Location, entry_location, list_folder

__all__ = ["RefusedExamError", "exam_in_folder", "read_exam"]

# Ultrasound shows no animals before 1950, and dates near the ends of the calendar have no days before or after them
# (common practice, no source).
FIRST_YEAR, LAST_YEAR = 1950, 2199


class RefusedExamError(ClutchlightError):
    """An exam that cannot be processed. A search lists it as an `ExamProblem`."""


def exam_in_folder(found: FoundFolder, root: Location) -> Exam | None:
    """The exam in this folder under ``root``, None if the folder only holds other folders.

    Raises RefusedExamError, ConfigError if the side file is damaged, and OSError if the folder cannot be read.
    """
    folder, names, side_file = found.location, list(found.entries), found.entries.get("exam.toml")
    if not found.recordings and side_file is None:
        if not any(map(is_folder, found.entries.values())) and (date_of_name(folder.name) or not names):
            raise RefusedExamError(_no_recording(folder, names))
        return None
    side = ExamFile()
    if side_file is not None:
        path = entry_location(side_file)
        reason = rejection_reason(path, root)
        if reason:
            raise RefusedExamError(f"{printable(path)}: {reason}")
        side = read_toml(path, ExamFile)
    animal, date = _animal_and_date(folder, side)
    clips = list(_clips(found, root, side))
    if not clips:
        raise RefusedExamError(_no_recording(folder, names))
    return Exam(
        folder=folder,
        animal=animal,
        date=date,
        species=side.species,
        weight_g=side.weight_g,
        carapace_mm=side.carapace_mm,
        carapace_width_mm=side.carapace_width_mm,
        passed_before=side.passed_before,
        clips=tuple(clips),
        scanned_by=side.scanned_by,
    )


def read_exam(folder: Location, root: Location) -> Exam | None:
    """The exam in one folder under ``root``; None if there is none now, or none that can be processed."""
    try:
        return exam_in_folder(FoundFolder.of(folder, list_folder(folder)), root)
    except (ClutchlightError, OSError):
        return None


def _no_recording(folder: Location, names: list[str]) -> str:
    """What is wrong with an exam folder without recordings."""
    others = [printable(name) for name in names if name != "exam.toml"]
    listed = f" (it holds {', '.join(others[:5])}{', …' if len(others) > 5 else ''})" if others else ""
    return f"{printable(folder)}: holds no recording that can be read{listed}; add the clips or remove the folder."


def _animal_and_date(folder: Location, side: ExamFile) -> tuple[str, dt.date]:
    """From the side file, else from the folder names. Raises RefusedExamError."""
    date = side.date or date_of_name(folder.name)
    if date is None:
        raise RefusedExamError(
            f"{printable(folder)}: the date of this exam is unknown. Name the folder like 2026-05-14 "
            "or write `date = 2026-05-14` into an exam.toml in this folder."
        )
    if not FIRST_YEAR <= date.year <= LAST_YEAR:
        raise RefusedExamError(
            f"{printable(folder)}: the date of this exam, {date}, is not from {FIRST_YEAR} to {LAST_YEAR}; correct it."
        )
    # Keyboards differ in the code points that they produce for the same letter.
    animal = unicodedata.normalize("NFC", folder.parent.name if side.animal is None else side.animal)
    problem = invalid_name_reason(animal)
    if problem:
        raise RefusedExamError(
            f"{printable(folder)}: the animal's id '{printable(animal)}' {problem}, so its results cannot be "
            "stored. Write another `animal` into exam.toml or rename the animal's folder."
        )
    return animal, date


def _clips(found: FoundFolder, root: Location, side: ExamFile) -> Iterator[ExamClip]:
    """The clips in the side file and in the folder, sorted by name, including those that must not be opened."""
    notes = {note.file: note for note in side.clip}
    for name in sorted({*notes, *found.recordings}):
        path = entry_location(found.entries[name]) if name in found.entries else found.location / name
        if name not in found.recordings and ("/" in name or "\\" in name):
            reason: str | None = "exam.toml may only name files in its own folder; correct the name."
        else:
            reason = rejection_reason(path, root)
        if reason is None and name not in found.recordings and not is_recording(path):
            reason = "exam.toml names this file, but it is not a video, picture or DICOM file; correct the name."
        note = notes.get(name, _WITHOUT_NOTE)
        yield ExamClip(
            path=path if is_printable(name) else found.location / printable(name),
            file=printable(name),
            window=note.window or _window_of(name),
            mm_per_px=note.mm_per_px,
            depth_mm=note.depth_mm,
            hand=note.hand,
            refusal=reason,
        )


_WITHOUT_NOTE = ClipNote(file="any")  # for clips that the side file does not name


def _window_of(name: str) -> Window | None:
    match = re.match(r"(left|right)(?![a-z])", name.lower())
    return None if match is None else ("left" if match[1] == "left" else "right")
