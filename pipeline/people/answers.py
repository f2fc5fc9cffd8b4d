"""The kinds of answers that a user can give about an exam, as they are sent and as they are stored.

Frames count from 0. Ellipses are [cx, cy, semi-major, semi-minor, degrees] in px of the source frame.
"""

from __future__ import annotations

from typing import Annotated, Literal

from pydantic import BaseModel, ConfigDict, Field, TypeAdapter, field_validator, model_validator

from models.stages import Stage

__all__ = [
    "ANSWER_ADAPTER",
    "AddComment",
    "AddEgg",
    "Answer",
    "ConfirmEgg",
    "DrawnOutline",
    "EggAnswer",
    "LeaveUncertain",
    "MarkUnusable",
    "MarkUsable",
    "MergeEggs",
    "Redo",
    "RejectEgg",
    "ReopenExam",
    "RequestedAnswer",
    "ReshapeEgg",
    "ResolveQuestion",
    "SetStage",
    "Sign",
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
    """Immutable; unknown keys are errors."""

    model_config = ConfigDict(frozen=True, extra="forbid", allow_inf_nan=False)


class FrameRange(StrictModel):
    """Frames of a clip, first to last, both included."""

    clip: FileName
    first: FrameNumber
    last: FrameNumber

    @model_validator(mode="after")
    def is_in_order(self) -> FrameRange:
        _require_order(self.first, self.last)
        return self


class TrackSegment(StrictModel):
    """A part of one track: frames first to last, both included.

    track : its identity in the clip; below 0 for an outline that a user drew: -n for the exam's n-th answer
    """

    # Not a FrameRange: stored snapshots are compared as text, so the order of the keys must stay.

    clip: FileName
    track: Annotated[int, Field(ge=-1_000_000_000, le=1_000_000_000)]
    first: FrameNumber
    last: FrameNumber

    @model_validator(mode="after")
    def is_in_order(self) -> TrackSegment:
        _require_order(self.first, self.last)
        return self

    def shared_frame_count(self, other: TrackSegment) -> int:
        """How many frame numbers both span, 0 if they are of different tracks."""
        if (self.clip, self.track) != (other.clip, other.track):
            return 0
        return max(0, min(self.last, other.last) - max(self.first, other.first) + 1)


def _require_order(first: int, last: int) -> None:
    if last < first:
        raise ValueError("ends before it begins")


TrackSegments = Annotated[tuple[TrackSegment, ...], Field(min_length=1, max_length=500)]


class EggAnswer(StrictModel):
    """An answer about eggs, each given by its segments."""

    eggs: Annotated[tuple[TrackSegments, ...], Field(min_length=1, max_length=500)]


class ConfirmEgg(EggAnswer):
    """Each is one egg or follicle, and of the stage shown."""

    kind: Literal["egg"] = "egg"


class RejectEgg(EggAnswer):
    """Not eggs or follicles."""

    kind: Literal["not-egg"] = "not-egg"


class LeaveUncertain(EggAnswer):
    """Cannot be told from these recordings, so the program's result stands."""

    kind: Literal["uncertain"] = "uncertain"


class MergeEggs(EggAnswer):
    """Both are the same egg, which is confirmed."""

    kind: Literal["same"] = "same"
    eggs: Annotated[tuple[TrackSegments, ...], Field(min_length=2, max_length=2)]


class SplitEgg(StrictModel):
    """Two eggs that were taken for one. egg : all segments;  apart : those of the second egg"""

    kind: Literal["two"] = "two"
    egg: TrackSegments
    apart: TrackSegments


class SetStage(EggAnswer):
    """Confirmed, and of this stage."""

    kind: Literal["stage"] = "stage"
    stage: Stage


class DrawnOutline(StrictModel):
    """An ellipse that a user drew on one frame."""

    clip: FileName
    frame: FrameNumber
    ellipse: tuple[Pixels, Pixels, Pixels, Pixels, Annotated[float, Field(ge=-90.0, lt=90.0)]]

    @field_validator("ellipse")
    @classmethod
    def has_axes(cls, ellipse: tuple[float, float, float, float, float]) -> tuple[float, float, float, float, float]:
        if not ellipse[2] >= ellipse[3] >= 1.0:
            raise ValueError("needs semi-axes of at least 1 px, the longer one first")
        return ellipse


class AddEgg(DrawnOutline):
    """An egg that was missed, outlined on one frame."""

    kind: Literal["drawn"] = "drawn"
    stage: Stage


class ReshapeEgg(DrawnOutline):
    """Confirmed, with this outline on one frame in place of the program's. egg : all its segments"""

    kind: Literal["reshaped"] = "reshaped"
    egg: TrackSegments


class MarkUnusable(FrameRange):
    kind: Literal["unusable"] = "unusable"


class MarkUsable(FrameRange):
    """Takes back that frames are unusable."""

    kind: Literal["usable"] = "usable"


class AddComment(StrictModel):
    """egg : the egg it is about; empty if it is about the exam"""

    kind: Literal["comment"] = "comment"
    text: Text
    egg: Annotated[tuple[TrackSegment, ...], Field(max_length=500)] = ()


class ResolveQuestion(StrictModel):
    """Closes the question that the answer of this sequence became."""

    kind: Literal["settled"] = "settled"
    of: SequenceNumber


class Undo(StrictModel):
    """of : the sequence of the answer to undo; None for the user's last one"""

    kind: Literal["undo"] = "undo"
    of: SequenceNumber | None = None


class Redo(StrictModel):
    """of : the sequence of the undone answer to apply again; None for the user's last undone one"""

    kind: Literal["redo"] = "redo"
    of: SequenceNumber | None = None


class Sign(StrictModel):
    """A user's wish to close the exam. It is stored as `SignExam`, with what the account says."""

    kind: Literal["signed"] = "signed"


class SignExam(StrictModel):
    """Closes the exam. name, role : of the account that signed

    logged_in : whether a password proved the name; None in signatures of earlier versions, which did not record it
    """

    kind: Literal["signed"] = "signed"
    name: Name
    role: Name
    logged_in: bool | None = None


class ReopenExam(StrictModel):
    """Makes a signed exam open for answers again."""

    kind: Literal["reopened"] = "reopened"
    reason: Text


PlainAnswer = (
    ConfirmEgg | RejectEgg | LeaveUncertain | MergeEggs | SplitEgg | SetStage | AddEgg | ReshapeEgg | MarkUnusable
    | MarkUsable | AddComment | ResolveQuestion | Undo | Redo | ReopenExam
)  # fmt: skip
RequestedAnswer = PlainAnswer | Sign
"""As users send it. Who signs is not up to the request."""
Answer = PlainAnswer | SignExam
"""As it is stored."""

ANSWER_ADAPTER: TypeAdapter[Answer] = TypeAdapter(Annotated[Answer, Field(discriminator="kind")])
