"""Recordings that are in the exams of a run more than once, under any name, recognised by their content.

If an exam holds a recording twice, its eggs would be counted twice, so all copies but one are left out. If two exams
hold the same recording, one of them may show another animal, or another day, than its folder says. Both are used, and
both sheets say so.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass

from pipeline.exams.exam import Exam, ExamClip
from pipeline.ingest.recording_identity import RecordingIdentity
from pipeline.locations.location import Location

__all__ = ["Duplicates", "find_duplicates"]

ClipLocation = tuple[Exam, ExamClip]


@dataclass(frozen=True)
class Duplicates:
    """Where else a clip's recording is.

    replaced_by : the file of the same exam that is used instead, None if this one is used
    in_other_exams : "ANIMAL, DATE, FILE" of each copy in another exam, sorted
    """

    replaced_by: str | None = None
    in_other_exams: tuple[str, ...] = ()

    def refusal(self, clip: ExamClip, used: ExamClip) -> str:
        """Why the clip is left out. used : the copy in the same exam that is used instead"""
        reason = f"the same recording as {used.file}, which is used instead; remove one of the two."
        if clip.window and used.window and clip.window != used.window:
            return f"{reason} The two have different windows, {clip.window} and {used.window}; correct that."
        return reason


def find_duplicates(
    exams: Sequence[Exam],
    identities: Mapping[Location, RecordingIdentity],
    pictures_sha256: Callable[[Location], str | None],
) -> dict[Location, Duplicates]:
    """Every clip whose recording is in the exams more than once, by path.

    identities : of the readable clips, by path
    pictures_sha256 : the digest of all coded pictures of a video, None for other recordings. It reads the whole file,
    so it is called only for files that differ and yet begin with the same picture.
    """
    same_opening: dict[str, list[ClipLocation]] = defaultdict(list)
    for exam in exams:
        for clip in exam.clips:
            if clip.path in identities:
                same_opening[identities[clip.path].first_picture_sha256].append((exam, clip))
    found: dict[Location, Duplicates] = {}
    for locations in same_opening.values():
        files = {identities[clip.path].sha256: clip.path for _, clip in locations}
        contents = {sha256: sha256 for sha256 in files}
        if len(files) > 1:
            contents = {sha256: pictures_sha256(path) or sha256 for sha256, path in files.items()}
        same_content: dict[str, list[ClipLocation]] = defaultdict(list)
        for exam, clip in locations:
            same_content[contents[identities[clip.path].sha256]].append((exam, clip))
        for group in same_content.values():
            found |= _duplicates_in(group)
    return found


def _duplicates_in(group: Sequence[ClipLocation]) -> dict[Location, Duplicates]:
    """The clips of one recording, by path; nothing if there is only one."""
    found = {}
    for exam, clip in group if len(group) > 1 else ():
        used = min((other for its_exam, other in group if its_exam is exam), key=_preference)
        in_other_exams = sorted(
            f"{its_exam.animal}, {its_exam.date.isoformat()}, {other.file}"
            for its_exam, other in group
            if its_exam is not exam
        )
        found[clip.path] = Duplicates(None if used is clip else used.file, tuple(in_other_exams))
    return found


def _preference(clip: ExamClip) -> tuple[bool, bool, int, str]:
    """A sort key; the smallest is used. First the clip with a known window and scale, then the shorter name.

    The shorter name, because copying a file usually adds to its name.
    """
    return clip.window is None, clip.mm_per_px is None and clip.depth_mm is None, len(clip.file), clip.file
