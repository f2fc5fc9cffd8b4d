"""Find exams under a folder, each in a folder of its own."""

from __future__ import annotations

import datetime as dt
import logging
from collections import defaultdict
from dataclasses import dataclass

from configs.reading import ConfigError
from models.errors import ClutchlightError
from models.printable import printable, shortened
from pipeline.exams.exam import Exam
from pipeline.exams.exam_folder import RefusedExamError, exam_in_folder
from pipeline.exams.folder_search import Recall, find_folders, unreadable_reason
from pipeline.exams.folder_state import KnownExam
from pipeline.locations.location import Location, location

__all__ = ["ExamProblem", "ExamRootError", "ExamSearch", "find_exams"]

log = logging.getLogger(__name__)


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
            exam = exam_in_folder(folder, root)
        except (ConfigError, RefusedExamError) as error:
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
