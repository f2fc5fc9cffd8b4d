"""The exams of each animal in order, for the links from one sheet to the next."""

from __future__ import annotations

from collections.abc import Sequence

from pipeline.exams.exam import Exam
from pipeline.exams.folder_names import animal_folder
from pipeline.store.store import Store

__all__ = ["folders_by_animal"]


def folders_by_animal(exams: Sequence[Exam], store: Store) -> dict[str, list[str]]:
    """The folders of these exams and of the stored ones, by date; by the animal's id in lower case (`str.casefold`)."""
    keys = {(exam.animal, exam.date.isoformat()) for exam in exams} | set(store.fingerprints())
    folders: dict[str, list[str]] = {}
    for animal, date in sorted(keys, key=lambda key: key[::-1]):
        folders.setdefault(animal.casefold(), []).append(f"{animal_folder(animal)}/{date}")
    return folders
