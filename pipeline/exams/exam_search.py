"""Folders and side files to exams: one animal, one date, one or more clips.

A folder that holds recordings or an ``exam.toml`` is an exam. Where the side file is silent the folders'
names ``ANIMAL/DATE`` serve, and what is unknown stays None. A folder of nothing but stills inside an exam's is a
clip, its pictures the frames; stills that lie beside the clips are clips of their own.
"""

from __future__ import annotations

import datetime as dt
import os
import re
import unicodedata
from collections import defaultdict
from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Literal

from configs.reading import ConfigError, read_toml
from models.errors import ClutchlightError
from pipeline.exams.exam_file import ClipNote, ExamFile
from pipeline.exams.path_checks import invalid_name_reason, is_printable, printable, rejection_reason
from pipeline.ingest.file_types import is_recording, is_still

__all__ = ["Exam", "ExamClip", "ExamProblem", "ExamRootError", "ExamSearch", "find_exams"]

Window = Literal["left", "right"]
SweepDirection = Literal["tail to head", "head to tail"]


@dataclass(frozen=True)
class ExamClip:
    """One recording of an exam.

    path : where it lies, a file or a folder of stills;  file : its name inside the exam's folder
    window : None if unknown;  mm_per_px, depth_mm : from the side file, None if not given there
    hand : which way it went over the skin, likewise
    refusal : why it is not to be opened, a sentence without its name;  None if it may be. Of a name that cannot be
    printed, path and file are told in its place
    """

    path: Path
    file: str
    window: Window | None
    mm_per_px: float | None
    depth_mm: float | None
    hand: SweepDirection | None = None  # with a default, so that exams kept before it was noted are read
    refusal: str | None = None  # likewise


@dataclass(frozen=True)
class Exam:
    """One animal on one date, as the folder and its side file tell it. None where unknown."""

    folder: Path
    animal: str
    date: dt.date
    species: str | None
    weight_g: float | None
    carapace_mm: float | None
    carapace_width_mm: float | None
    passed_before: int
    clips: tuple[ExamClip, ...]
    scanned_by: str | None = None  # at the end and with a default, so that exams kept before it was noted are read


@dataclass(frozen=True)
class ExamProblem:
    """Something that is not processed. path : of the folder or file;  reason : names it, too."""

    path: Path
    reason: str


@dataclass(frozen=True)
class ExamSearch:
    """exams : by animal and date;  problems : by path, of whole exams or of single files of an exam."""

    exams: tuple[Exam, ...]
    problems: tuple[ExamProblem, ...]


class ExamRootError(ClutchlightError):
    """The folder that should hold the exams is none."""


def find_exams(root: Path, *, skip: Iterable[Path] = ()) -> ExamSearch:
    """Every exam under ``root``, the folder itself included, and everything that cannot be processed.

    skip : folders not searched, for example an output folder that lies under the root
    Hidden files and folders are passed over, and so are links to folders: what they lead to is either
    found where it lies, or outside the root and then reported.

    Raises ExamRootError if root is no folder; one bad exam is a problem in the answer, never an error.
    """
    if not root.is_dir():
        raise ExamRootError(f"{root}: no such folder. Name the folder that holds the exams' folders.")
    # Absolute, because a root given as "." must still tell the animal's name.
    root = root.resolve()
    skipped = {path.resolve() for path in skip}
    exams: list[Exam] = []
    problems: list[ExamProblem] = []
    for folder in _folders(root, skipped, problems):
        try:
            exam = _exam_in(folder, root)
        except (ConfigError, _RefusedExamError) as error:
            problems.append(ExamProblem(folder, str(error)))
        else:
            exams += [exam] if exam else []
    exams = _without_doubles(exams, problems)
    exams.sort(key=lambda exam: (exam.animal, exam.date, str(exam.folder)))
    problems.sort(key=lambda problem: (str(problem.path), problem.reason))
    return ExamSearch(tuple(exams), tuple(problems))


class _RefusedExamError(ClutchlightError):
    """An exam that is not processed; becomes a problem."""


def _folders(root: Path, skipped: set[Path], problems: list[ExamProblem]) -> Iterator[Path]:
    def unreadable(error: OSError) -> None:
        path = Path(error.filename)
        problems.append(ExamProblem(path, f"{printable(path)}: folder cannot be read: {error.strerror}."))

    for name, inner, _ in os.walk(root, onerror=unreadable):
        folder = Path(name)
        for child in sorted(inner):
            path = folder / child
            hidden = child.startswith(".") or path in skipped
            if not hidden and path.is_symlink() and not path.resolve().is_relative_to(root):
                reason = f"{printable(path)}: a link that leads out of {printable(root)}; copy the folder instead."
                problems.append(ExamProblem(path, reason))
            elif not hidden and not is_printable(child):
                reason = f"{printable(path)}: the folder's name holds control characters; rename it."
                problems.append(ExamProblem(path, reason))
            elif not hidden and not path.is_symlink() and not _is_clip_folder(path):
                continue
            inner.remove(child)
        if folder not in skipped:
            yield folder


def _exam_in(folder: Path, root: Path) -> Exam | None:
    """The exam that the folder is, or None where it is merely a folder on the way to exams."""
    try:
        names = sorted(entry.name for entry in folder.iterdir() if not entry.name.startswith("."))
    except OSError:
        return None  # reported by the walk
    recordings = [name for name in names if _is_recording_at(folder / name)]
    has_side_file = "exam.toml" in names
    if not recordings and not has_side_file:
        if not any((folder / name).is_dir() for name in names) and (_date_of(folder.name) or not names):
            raise _RefusedExamError(_emptiness(folder, names))
        return None
    side = ExamFile()
    if has_side_file:
        reason = rejection_reason(folder / "exam.toml", root)
        if reason:
            raise _RefusedExamError(f"{printable(folder / 'exam.toml')}: {reason}")
        side = read_toml(folder / "exam.toml", ExamFile)
    animal, date = _identity(folder, side)
    clips = list(_clips(folder, root, side, recordings))
    if not clips:
        raise _RefusedExamError(_emptiness(folder, names))
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


def _is_recording_at(path: Path) -> bool:
    if path.is_dir():
        return not path.is_symlink() and is_printable(path.name) and _is_clip_folder(path)
    return is_recording(path)


def _is_clip_folder(folder: Path) -> bool:
    """Whether the folder is one clip, picture by picture: nothing in it but stills, inside the folder of an exam."""
    if _date_of(folder.name) is not None:
        return False
    try:
        inside = [path for path in folder.iterdir() if not path.name.startswith(".")]
        if not any(is_still(path.name) for path in inside) or any(map(_leads_further, inside)):
            return False
        beside = list(folder.parent.iterdir())
    except OSError:
        return False  # reported by the walk
    if _date_of(folder.parent.name) is not None or any(path.name == "exam.toml" for path in beside):
        return True
    return any(is_recording(path) and not path.is_dir() for path in beside)


def _leads_further(path: Path) -> bool:
    """Whether a folder that holds this is an exam, or on the way to one."""
    is_other_recording = is_recording(path) and not is_still(path.name)
    return path.name == "exam.toml" or is_other_recording or path.is_dir()


def _emptiness(folder: Path, names: list[str]) -> str:
    others = [printable(name) for name in names if name != "exam.toml"]
    seen = f" (it holds {', '.join(others[:5])}{', …' if len(others) > 5 else ''})" if others else ""
    return f"{printable(folder)}: holds no recording that can be read{seen}; add the clips or remove the folder."


def _identity(folder: Path, side: ExamFile) -> tuple[str, dt.date]:
    """Animal and date, from the side file or else from the folders' names."""
    date = side.date or _date_of(folder.name)
    if date is None:
        raise _RefusedExamError(
            f"{printable(folder)}: the date of this exam is unknown. Name the folder like 2026-05-14 "
            "or write `date = 2026-05-14` into an exam.toml beside the clips."
        )
    # Typed on different keyboards, the same letters may be different code points.
    animal = unicodedata.normalize("NFC", folder.parent.name if side.animal is None else side.animal)
    fault = invalid_name_reason(animal)
    if fault:
        raise _RefusedExamError(
            f"{printable(folder)}: the animal's id '{printable(animal)}' {fault}, so its results could not be "
            "stored. Write another `animal` into exam.toml or rename the animal's folder."
        )
    return animal, date


def _date_of(name: str) -> dt.date | None:
    try:
        return dt.date.fromisoformat(name) if re.fullmatch(r"\d{4}-\d\d-\d\d", name, re.ASCII) else None
    except ValueError:
        return None


def _clips(folder: Path, root: Path, side: ExamFile, recordings: list[str]) -> Iterator[ExamClip]:
    """Clips of the side file and of the folder, by name, with those that are not to be opened."""
    notes = {note.file: note for note in side.clip}
    for name in sorted({*notes, *recordings}):
        path = folder / name
        if name not in recordings and ("/" in name or "\\" in name):
            reason: str | None = "exam.toml may only name files that lie beside it; correct the name."
        else:
            reason = rejection_reason(path, root)
        if reason is None and name not in recordings and not is_recording(path):
            reason = "exam.toml names this file, but it is no video, picture or DICOM file; correct the name."
        known = notes.get(name) or ClipNote(file=printable(name))
        window = known.window or _window_of(name)
        yield ExamClip(
            folder / printable(name),
            printable(name),
            window,
            known.mm_per_px,
            known.depth_mm,
            known.hand,
            refusal=reason,
        )


def _window_of(name: str) -> Window | None:
    match = re.match(r"(left|right)(?![a-z])", name.lower())
    return None if match is None else ("left" if match[1] == "left" else "right")


def _without_doubles(exams: list[Exam], problems: list[ExamProblem]) -> list[Exam]:
    """Exams whose animal and date no other has; ids that differ only in case would share an output folder."""
    groups: dict[tuple[str, dt.date], list[Exam]] = defaultdict(list)
    for exam in exams:
        groups[exam.animal.casefold(), exam.date].append(exam)
    for group in groups.values():
        if len(group) > 1:
            folders = sorted(exam.folder for exam in group)
            reason = (
                f"{' and '.join(map(printable, folders))}: exams of the same animal, {group[0].animal}, on the "
                f"same date, {group[0].date}. Put their clips into one folder or correct the animal or date; "
                "none of them was processed."
            )
            problems.append(ExamProblem(folders[0], reason))
    return [group[0] for group in groups.values() if len(group) == 1]
