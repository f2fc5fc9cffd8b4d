"""Recordings that lie in the exams of a night more than once, under whatever names, known by their content.

Twice in one exam, a recording would speak twice for the same eggs, so one of the copies is left out. In two exams one
of them may show another animal, or another day, than its folder says; both are used, and both sheets say so.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path

from pipeline.exams import Exam, ExamClip
from pipeline.ingest.identity import RecordingIdentity

__all__ = ["Copies", "find_copies"]


@dataclass(frozen=True)
class Copies:
    """Where else a clip's recording lies.

    used_as : the file of the same exam that is used in its place, None if this one is used
    elsewhere : in other exams, in words, in order
    """

    used_as: str | None = None
    elsewhere: tuple[str, ...] = ()

    def refusal(self, clip: ExamClip, used: ExamClip) -> str:
        """Why the clip is left out for another one of its exam."""
        reason = f"the same recording as {used.file}, which is used in its place; remove one of the two."
        if clip.window and used.window and clip.window != used.window:
            return f"{reason} They are told to show different windows, {clip.window} and {used.window}; correct that."
        return reason


def find_copies(exams: Sequence[Exam], identities: Mapping[Path, RecordingIdentity]) -> dict[Path, Copies]:
    """By path, every clip whose recording lies in the exams more than once. identities : by path, of the readable."""
    places: dict[str, list[tuple[Exam, ExamClip]]] = defaultdict(list)
    for exam in exams:
        for clip in exam.clips:
            if clip.path in identities:
                places[identities[clip.path].pictures_sha256].append((exam, clip))
    found: dict[Path, Copies] = {}
    for group in places.values():
        if len(group) < 2:
            continue
        for exam, clip in group:
            best = min((other for its, other in group if its is exam), key=_preference)
            elsewhere = sorted(
                f"{its.animal}, {its.date.isoformat()}, {other.file}" for its, other in group if its is not exam
            )
            found[clip.path] = Copies(None if best is clip else best.file, tuple(elsewhere))
    return found


def _preference(clip: ExamClip) -> tuple[bool, bool, str]:
    """The smallest is used: the one of which more is known."""
    return clip.window is None, clip.mm_per_px is None and clip.depth_mm is None, clip.file
