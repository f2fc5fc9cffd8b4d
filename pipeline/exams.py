"""Folders and side files to exams: one animal, one date, one or more clips."""

from __future__ import annotations

import datetime as dt
from dataclasses import dataclass
from pathlib import Path
from typing import Literal

__all__ = ["Exam", "ExamClip"]

Window = Literal["left", "right"]


@dataclass(frozen=True)
class ExamClip:
    """One recording of an exam.

    path : where it lies;  file : its name inside the exam's folder
    window : None if unknown;  mm_per_px, depth_mm : from the side file, None if not given there
    """

    path: Path
    file: str
    window: Window | None
    mm_per_px: float | None
    depth_mm: float | None


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
