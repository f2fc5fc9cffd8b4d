"""Recordings that lie in the exams of a night more than once, under whatever names, known by their content.

Twice in one exam, a recording would speak twice for the same eggs, so one of the copies is left out. In two exams one
of them may show another animal, or another day, than its folder says; both are used, and both sheets say so.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path

from pipeline.exams.exam_search import Exam, ExamClip
from pipeline.ingest.recording_identity import RecordingIdentity

__all__ = ["Duplicates", "find_duplicates"]

Place = tuple[Exam, ExamClip]


@dataclass(frozen=True)
class Duplicates:
    """Where else a clip's recording lies.

    replaced_by : the file of the same exam that is used in its place, None if this one is used
    in_other_exams : in other exams, in words, in order
    """

    replaced_by: str | None = None
    in_other_exams: tuple[str, ...] = ()

    def refusal(self, clip: ExamClip, used: ExamClip) -> str:
        """Why the clip is left out for another one of its exam."""
        reason = f"the same recording as {used.file}, which is used in its place; remove one of the two."
        if clip.window and used.window and clip.window != used.window:
            return f"{reason} They are told to show different windows, {clip.window} and {used.window}; correct that."
        return reason


def find_duplicates(
    exams: Sequence[Exam],
    identities: Mapping[Path, RecordingIdentity],
    pictures_sha256: Callable[[Path], str | None],
) -> dict[Path, Duplicates]:
    """By path, every clip whose recording lies in the exams more than once.

    identities : by path, of the readable
    pictures_sha256 : the digest of all of a video's coded pictures, None of what is none. It reads the file once more,
    so only those are asked for it that differ and yet open with the same picture.
    """
    openings: dict[str, list[Place]] = defaultdict(list)
    for exam in exams:
        for clip in exam.clips:
            if clip.path in identities:
                openings[identities[clip.path].first_picture_sha256].append((exam, clip))
    found: dict[Path, Duplicates] = {}
    for alike in openings.values():
        files = {identities[clip.path].sha256: clip.path for _, clip in alike}
        contents = {sha256: sha256 for sha256 in files}
        if len(files) > 1:
            contents = {sha256: pictures_sha256(path) or sha256 for sha256, path in files.items()}
        places: dict[str, list[Place]] = defaultdict(list)
        for exam, clip in alike:
            places[contents[identities[clip.path].sha256]].append((exam, clip))
        for group in places.values():
            found |= _copies(group)
    return found


def _copies(group: Sequence[Place]) -> dict[Path, Duplicates]:
    """Of the places where one recording lies."""
    found = {}
    for exam, clip in group if len(group) > 1 else ():
        best = min((other for its, other in group if its is exam), key=_preference)
        elsewhere = sorted(
            f"{its.animal}, {its.date.isoformat()}, {other.file}" for its, other in group if its is not exam
        )
        found[clip.path] = Duplicates(None if best is clip else best.file, tuple(elsewhere))
    return found


def _preference(clip: ExamClip) -> tuple[bool, bool, int, str]:
    """The smallest is used: the one of which more is known, and of equals the shorter name, as copies add to it."""
    return clip.window is None, clip.mm_per_px is None and clip.depth_mm is None, len(clip.file), clip.file
