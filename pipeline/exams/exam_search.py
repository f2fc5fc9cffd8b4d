"""Find exams under a folder: one animal, one date, one or more clips.

A folder that holds recordings or an ``exam.toml`` (the side file) is an exam. What the side file does not give is taken
from the folder names ``ANIMAL/DATE``; what is still unknown is None. Inside an exam folder, a folder that holds only
stills is one clip, with the stills as its frames. A still directly in the exam folder is a clip of its own.
"""

from __future__ import annotations

import datetime as dt
import logging
import re
import unicodedata
from collections import defaultdict
from collections.abc import Iterator
from dataclasses import dataclass
from typing import Literal

from configs.reading import ConfigError, read_toml
from models.errors import ClutchlightError
from models.printable import is_printable, printable, shortened
from pipeline.exams.exam_file import ClipNote, ExamFile
from pipeline.exams.folder_search import FoundFolder, Recall, find_folders, is_folder, unreadable_reason
from pipeline.exams.folder_state import KnownExam, date_of_name
from pipeline.exams.path_checks import invalid_name_reason, rejection_reason
from pipeline.ingest.file_types import is_recording
from pipeline.locations.location import Location, entry_location, list_folder, location
from pipeline.locations.stored_location import StoredLocation

__all__ = ["Exam", "ExamClip", "ExamProblem", "ExamRootError", "ExamSearch", "find_exams", "read_exam"]

log = logging.getLogger(__name__)

# Ultrasound shows no animals before 1950, and dates near the ends of the calendar have no days before or after them
# (common practice, no source).
FIRST_YEAR, LAST_YEAR = 1950, 2199

Window = Literal["left", "right"]
SweepDirection = Literal["tail to head", "head to tail"]


@dataclass(frozen=True)
class ExamClip:
    """One recording of an exam.

    Attributes
    ----------
    path
        A file or a folder of stills.
    file
        Its name in the exam folder.
    window
        None if unknown.
    mm_per_px, depth_mm
        The scale, from the side file; None if not given there.
    hand
        The direction of the sweep over the skin, from the side file; None if not given there.
    refusal
        Why it must not be opened, a sentence without its name; None if it may be opened. If the name holds unprintable
        characters, path and file hold the escaped name.
    """

    path: StoredLocation
    file: str
    window: Window | None
    mm_per_px: float | None
    depth_mm: float | None
    hand: SweepDirection | None = None  # the defaults are for exams that were stored before these fields existed
    refusal: str | None = None


@dataclass(frozen=True)
class Exam:
    """One animal on one date, from the folder and its side file. Unknown values are None.

    Attributes
    ----------
    folder
        Where the recordings are.
    animal
        The animal's id, in Unicode normal form C.
    date
        Of the exam.
    species
        As people wrote it.
    weight_g, carapace_mm, carapace_width_mm
        Of the animal; straight length and width of the carapace.
    passed_before
        How many eggs are known to have been laid before this exam.
    clips
        Sorted by file name, including those that must not be opened.
    scanned_by
        Who held the probe.
    """

    folder: StoredLocation
    animal: str
    date: dt.date
    species: str | None
    weight_g: float | None
    carapace_mm: float | None
    carapace_width_mm: float | None
    passed_before: int
    clips: tuple[ExamClip, ...]
    scanned_by: str | None = None  # last and with a default, for exams that were stored before this field existed


@dataclass(frozen=True)
class ExamProblem:
    """A folder or file that is not processed.

    Attributes
    ----------
    path
        Of the folder or file.
    reason
        A sentence that names it and says what to do.
    """

    path: Location
    reason: str


@dataclass(frozen=True)
class ExamSearch:
    """The result of a search.

    Attributes
    ----------
    exams
        Sorted by animal and date.
    problems
        Folders that cannot be processed, sorted by path.
    known
        Exams that were recognised by their folders and not looked into, sorted by animal and date.
    """

    exams: tuple[Exam, ...]
    problems: tuple[ExamProblem, ...]
    known: tuple[KnownExam, ...] = ()


class ExamRootError(ClutchlightError):
    """The path that should hold the exams is not a folder."""


def find_exams(root: Location, recall: Recall = lambda folder: None) -> ExamSearch:
    """Every exam under ``root``, which may itself be an exam, and everything that cannot be processed.

    Hidden files and folders are ignored. Links to folders are not followed: a target inside root is found at its
    own place, and a target outside root is reported as a problem.

    Parameters
    ----------
    root
        The folder to search: a `pathlib.Path`, or a `pipeline.location` on object storage.
    recall
        Asked for every folder whose name is a date. An exam that it knows is not looked into.

    Returns
    -------
    ExamSearch
        The exams, and the problems: a bad exam is a problem, never an error.

    Raises
    ------
    ExamRootError
        If root is not a folder.

    Examples
    --------
    >>> from pathlib import Path
    >>> from tempfile import TemporaryDirectory
    >>> with TemporaryDirectory() as root:
    ...     folder = Path(root) / "AF-0412" / "2026-05-14"
    ...     folder.mkdir(parents=True)
    ...     (folder / "left-1.mp4").touch()
    ...     (exam,) = find_exams(Path(root)).exams
    >>> exam.animal, exam.date.isoformat(), [clip.window for clip in exam.clips]
    ('AF-0412', '2026-05-14', ['left'])
    """
    try:
        is_there = root.is_dir()
    except OSError as error:
        raise ExamRootError(f"{root}: cannot be searched: {error.strerror}.") from error
    if not is_there:
        raise ExamRootError(f"{root}: no such folder. Name the folder that holds the exam folders.")
    # Absolute, because the animal's name may come from the folder even if root is ".".
    root = root.resolve()
    exams: list[Exam] = []
    known: list[KnownExam] = []
    problems: list[ExamProblem] = []

    def report(path: Location, reason: str) -> None:
        problems.append(ExamProblem(path, reason))

    for folder in find_folders(root, recall, known, report):
        try:
            exam = _exam_in(folder, root)
        except (ConfigError, _RefusedExamError) as error:
            report(folder.location, str(error))
        except OSError as error:
            report(folder.location, unreadable_reason(folder.location, error))
        except Exception as error:
            # One exam must not end the night, whatever is wrong with it.
            place = folder.location
            log.debug("%s cannot be read", place, exc_info=True)
            reason = f"{printable(place)}: unexpected {type(error).__name__}: {shortened(str(error))}; it was left out."
            report(place, reason)
        else:
            exams += [exam] if exam else []
    unique = _without_duplicates([*exams, *known], problems)
    unique.sort(key=lambda exam: (exam.animal, exam.date, str(exam.folder)))
    problems.sort(key=lambda problem: (str(problem.path), problem.reason))
    return ExamSearch(
        tuple(exam for exam in unique if isinstance(exam, Exam)),
        tuple(problems),
        tuple(exam for exam in unique if isinstance(exam, KnownExam)),
    )


def read_exam(folder: Location, root: Location) -> Exam | None:
    """The exam in one folder under ``root``; None if there is none now, or none that can be processed."""
    try:
        return _exam_in(FoundFolder.of(folder, list_folder(folder)), root)
    except (ClutchlightError, OSError):
        return None


class _RefusedExamError(ClutchlightError):
    """An exam that cannot be processed. It becomes an `ExamProblem`."""


def _exam_in(found: FoundFolder, root: Location) -> Exam | None:
    """The exam in this folder, None if the folder only holds other folders."""
    folder, names, side_file = found.location, list(found.entries), found.entries.get("exam.toml")
    if not found.recordings and side_file is None:
        if not any(map(is_folder, found.entries.values())) and (date_of_name(folder.name) or not names):
            raise _RefusedExamError(_no_recording(folder, names))
        return None
    side = ExamFile()
    if side_file is not None:
        path = entry_location(side_file)
        reason = rejection_reason(path, root)
        if reason:
            raise _RefusedExamError(f"{printable(path)}: {reason}")
        side = read_toml(path, ExamFile)
    animal, date = _animal_and_date(folder, side)
    clips = list(_clips(found, root, side))
    if not clips:
        raise _RefusedExamError(_no_recording(folder, names))
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


def _no_recording(folder: Location, names: list[str]) -> str:
    """What is wrong with an exam folder without recordings."""
    others = [printable(name) for name in names if name != "exam.toml"]
    listed = f" (it holds {', '.join(others[:5])}{', …' if len(others) > 5 else ''})" if others else ""
    return f"{printable(folder)}: holds no recording that can be read{listed}; add the clips or remove the folder."


def _animal_and_date(folder: Location, side: ExamFile) -> tuple[str, dt.date]:
    """From the side file, else from the folder names. Raises _RefusedExamError."""
    date = side.date or date_of_name(folder.name)
    if date is None:
        raise _RefusedExamError(
            f"{printable(folder)}: the date of this exam is unknown. Name the folder like 2026-05-14 "
            "or write `date = 2026-05-14` into an exam.toml in this folder."
        )
    if not FIRST_YEAR <= date.year <= LAST_YEAR:
        raise _RefusedExamError(
            f"{printable(folder)}: the date of this exam, {date}, is not from {FIRST_YEAR} to {LAST_YEAR}; correct it."
        )
    # Keyboards differ in the code points that they produce for the same letter.
    animal = unicodedata.normalize("NFC", folder.parent.name if side.animal is None else side.animal)
    problem = invalid_name_reason(animal)
    if problem:
        raise _RefusedExamError(
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


def _without_duplicates(exams: list[Exam | KnownExam], problems: list[ExamProblem]) -> list[Exam | KnownExam]:
    """The exams whose animal and date are unique. Ids that differ only in case would share an output folder."""
    groups: dict[tuple[str, dt.date], list[Exam | KnownExam]] = defaultdict(list)
    for exam in exams:
        groups[exam.animal.casefold(), exam.date].append(exam)
    for group in groups.values():
        if len(group) > 1:
            folders = sorted(str(exam.folder) for exam in group)
            reason = (
                f"{' and '.join(map(printable, folders))}: exams of the same animal, {group[0].animal}, on the "
                f"same date, {group[0].date}. Put their clips into one folder or correct the animal or date; "
                "none of them was processed."
            )
            problems.append(ExamProblem(location(folders[0]), reason))
    return [group[0] for group in groups.values() if len(group) == 1]
