"""What a person can say of an exam: the kinds of answers, as they come over the wire and as they are kept.

Frames count from 0, ellipses are [cx, cy, semi-major, semi-minor, degrees] in px of the source frame.
"""

from __future__ import annotations

from typing import Annotated, Literal

from pydantic import BaseModel, ConfigDict, Field, TypeAdapter, field_validator, model_validator

from pipeline.estimate.results import Stage

__all__ = [
    "ANSWER_ADAPTER",
    "AddComment",
    "AddEgg",
    "Answer",
    "ConfirmEgg",
    "EggAnswer",
    "MarkUnusable",
    "MarkUsable",
    "MergeEggs",
    "Redo",
    "RejectEgg",
    "ReopenExam",
    "ResolveQuestion",
    "SetStage",
    "SignExam",
    "SplitEgg",
    "TrackSegment",
    "Undo",
]

Text = Annotated[str, Field(min_length=1, max_length=2000)]
Name = Annotated[str, Field(min_length=1, max_length=200)]
FileName = Annotated[str, Field(min_length=1, max_length=255)]
FrameNumber = Annotated[int, Field(ge=0, le=10_000_000)]
SequenceNumber = Annotated[int, Field(ge=1, le=1_000_000_000)]
Pixels = Annotated[float, Field(ge=-20_000.0, le=20_000.0)]


class StrictModel(BaseModel):
    """Fixed once made; a key it does not know is an error."""

    model_config = ConfigDict(frozen=True, extra="forbid", allow_inf_nan=False)


class TrackSegment(StrictModel):
    """A stretch of one track: frames first to last, both included.

    track : its identity in the clip; below 0 for an outline that a person drew: -n in the exam's n-th answer
    """

    clip: FileName
    track: Annotated[int, Field(ge=-1_000_000_000, le=1_000_000_000)]
    first: FrameNumber
    last: FrameNumber

    @model_validator(mode="after")
    def is_not_reversed(self) -> TrackSegment:
        if self.last < self.first:
            raise ValueError("ends before it begins")
        return self

    def shared_frame_count(self, other: TrackSegment) -> int:
        """How many frame numbers both span, 0 where they are of different tracks."""
        if (self.clip, self.track) != (other.clip, other.track):
            return 0
        return max(0, min(self.last, other.last) - max(self.first, other.first) + 1)


TrackSegments = Annotated[tuple[TrackSegment, ...], Field(min_length=1, max_length=500)]


class EggAnswer(StrictModel):
    """Said of eggs, each given by its segments."""

    eggs: Annotated[tuple[TrackSegments, ...], Field(min_length=1, max_length=500)]


class ConfirmEgg(EggAnswer):
    """An egg (or follicle), of its own, and of its stage."""

    kind: Literal["egg"] = "egg"


class RejectEgg(EggAnswer):
    kind: Literal["not-egg"] = "not-egg"


class MergeEggs(EggAnswer):
    """One and the same egg, and it is one."""

    kind: Literal["same"] = "same"
    eggs: Annotated[tuple[TrackSegments, ...], Field(min_length=2, max_length=2)]


class SplitEgg(StrictModel):
    """Two eggs. egg : all of it as it was taken for one;  apart : the segments of the other one"""

    kind: Literal["two"] = "two"
    egg: TrackSegments
    apart: TrackSegments


class SetStage(EggAnswer):
    """An egg, and of this stage."""

    kind: Literal["stage"] = "stage"
    stage: Stage


class AddEgg(StrictModel):
    """An egg that was missed, as outlined on one frame."""

    kind: Literal["drawn"] = "drawn"
    clip: FileName
    frame: FrameNumber
    ellipse: tuple[Pixels, Pixels, Pixels, Pixels, Annotated[float, Field(ge=-90.0, lt=90.0)]]
    stage: Stage

    @field_validator("ellipse")
    @classmethod
    def has_axes(cls, ellipse: tuple[float, float, float, float, float]) -> tuple[float, float, float, float, float]:
        if not ellipse[2] >= ellipse[3] >= 1.0:
            raise ValueError("needs semi-axes of at least 1 px, the longer one first")
        return ellipse


class FrameRange(StrictModel):
    """Frames of a clip, both ends included."""

    clip: FileName
    first: FrameNumber
    last: FrameNumber

    @model_validator(mode="after")
    def is_not_reversed(self) -> FrameRange:
        if self.last < self.first:
            raise ValueError("ends before it begins")
        return self


class MarkUnusable(FrameRange):
    kind: Literal["unusable"] = "unusable"


class MarkUsable(FrameRange):
    """After all, where it was said to be unusable."""

    kind: Literal["usable"] = "usable"


class AddComment(StrictModel):
    """egg : what it is about, nothing if about the exam."""

    kind: Literal["comment"] = "comment"
    text: Text
    egg: Annotated[tuple[TrackSegment, ...], Field(max_length=500)] = ()


class ResolveQuestion(StrictModel):
    """The question that the answer of this sequence had become is dealt with."""

    kind: Literal["settled"] = "settled"
    of: SequenceNumber


class Undo(StrictModel):
    """of : the sequence of the answer taken back; where it is not told, the person's last one."""

    kind: Literal["undo"] = "undo"
    of: SequenceNumber | None = None


class Redo(StrictModel):
    """of : the sequence of the answer given again after all; where it is not told, the person's last undone one."""

    kind: Literal["redo"] = "redo"
    of: SequenceNumber | None = None


class SignExam(StrictModel):
    """Closes the exam. name, role : of who signs"""

    kind: Literal["signed"] = "signed"
    name: Name
    role: Name


class ReopenExam(StrictModel):
    kind: Literal["reopened"] = "reopened"
    reason: Text


Answer = (
    ConfirmEgg | RejectEgg | MergeEggs | SplitEgg | SetStage | AddEgg | MarkUnusable | MarkUsable | AddComment | ResolveQuestion | Undo | Redo
    | SignExam | ReopenExam
)  # fmt: skip

ANSWER_ADAPTER: TypeAdapter[Answer] = TypeAdapter(Annotated[Answer, Field(discriminator="kind")])
