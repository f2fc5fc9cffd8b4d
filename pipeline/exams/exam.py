"""An exam: one animal, one date, one or more clips, as its folder and side file give it."""

from __future__ import annotations

import datetime as dt
from dataclasses import dataclass
from typing import Literal

from pipeline.locations.stored_location import StoredLocation

__all__ = ["Exam", "ExamClip", "SweepDirection", "Window"]

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
