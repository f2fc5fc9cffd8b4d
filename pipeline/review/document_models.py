"""What the exam's page receives: the types of its JSON documents.

Frames count from 0, ranges of frames include both ends, ellipses are [cx, cy, semi-major, semi-minor, degrees] in px of
the source frame. A clip's index is its place in ``clips``.
"""

from __future__ import annotations

from pydantic import BaseModel

from models.stages import Stage
from pipeline.estimate.results import Severity
from pipeline.people.answers import TrackSegment
from pipeline.people.users import Permission
from pipeline.review.replay import Verdict

__all__ = [
    "ClipDocument",
    "CountDocument",
    "EggDocument",
    "EventDocument",
    "ExamDocument",
    "FlagDocument",
    "LastExamDocument",
    "OutcomeDocument",
    "OutlinesDocument",
    "RefusedClipDocument",
    "ReshapedOutline",
    "SignatureDocument",
    "TrackOutlines",
    "UpdatesDocument",
    "UserDocument",
]

Ellipse = tuple[float, float, float, float, float]


class EventDocument(BaseModel):
    """One line of the history: an answer in words. at : UTC, ISO 8601;  undone : whether it has no effect now

    remark : the text of a comment, else empty
    """

    sequence: int
    who: str
    at: str
    what: str
    undone: bool = False
    remark: str = ""


class SignatureDocument(BaseModel):
    """at : UTC, ISO 8601;  login : how the user was known, in words, empty if that was not recorded

    then : the count that was signed, in words, if the recordings have given another one since; else empty
    """

    name: str
    role: str
    at: str
    login: str
    then: str


class UserDocument(BaseModel):
    name: str
    role: str
    permission: Permission


class CountDocument(BaseModel):
    """A count in the sheet's words. figure : the number, or "none seen", or "not scanned"; the rest may be empty

    noun : what the figure counts, as in the form that goes with it
    """

    figure: str
    count_text: str = ""
    noun: str = ""
    range: str = ""
    at_least: str = ""
    stage: str = ""
    follicles: str = ""


class FlagDocument(BaseModel):
    severity: Severity
    reason: str


class ReshapedOutline(BaseModel):
    """An outline that a user drew on one frame in place of the program's."""

    clip: str
    frame: int
    ellipse: Ellipse


class EggDocument(BaseModel):
    """counted : whether the count includes it now;  staged : whether a user set the stage

    confidence : probability that it is one real egg or follicle
    must_answer : whether the exam cannot be signed before somebody says what it is
    description : size, or why it is not counted, in words
    certainty : like "75 % sure", and in a sentence of what; both "" if answered or not counted
    outlines : drawn ones, by track;  best : clip index and frame where it is seen best;  picture : address
    remarks : the comments about it
    """

    number: int
    segments: tuple[TrackSegment, ...]
    counted_by_batch: bool
    counted: bool
    verdict: Verdict | None
    stage: Stage
    staged: bool
    confidence: float
    must_answer: bool
    description: str
    certainty: str
    certainty_text: str
    answered_by: str | None
    outlines: dict[str, Ellipse]
    reshaped: list[ReshapedOutline]
    best: tuple[int, int]
    picture: str
    remarks: list[EventDocument]


class ClipDocument(BaseModel):
    """frames : how many;  rate : frames per second, None if unknown;  width, height : px

    mm_per_px : None if unknown;  depth_px, centre_x_px : of the sector, from the probe to its lower end, and its middle
    """

    file: str
    name: str
    frames: int
    rate: float | None
    width: int
    height: int
    mm_per_px: float | None
    depth_px: float | None
    centre_x_px: float | None
    unusable: list[tuple[int, int]]
    used: list[tuple[int, int]]


class RefusedClipDocument(BaseModel):
    file: str
    reason: str


class LastExamDocument(BaseModel):
    """The animal's exam before this one. address : of its page"""

    date: str
    address: str


class OutcomeDocument(BaseModel):
    """What was told of her eggs later. date : in words;  number : None if they were not counted"""

    kind: str
    date: str
    number: int | None
    who: str
    note: str


class ExamDocument(BaseModel):
    """Everything that the page shows, except pictures and outlines.

    head : sequence of the last answer;  fingerprint : of the result that the page shows
    now, program : the count with the answers, and the batch's own;  undo, redo : what the user's would apply to
    comments : about the exam, or an egg not found any more;  last_exam : None if she was not examined before
    others : names of the other users on this page;  sheet : address of the signed sheet, None while open
    """

    head: int
    fingerprint: str
    animal: str
    date: str
    signed: SignatureDocument | None
    you: UserDocument
    now: CountDocument
    program: CountDocument
    flags: list[FlagDocument]
    eggs: list[EggDocument]
    clips: list[ClipDocument]
    refused: list[RefusedClipDocument]
    comments: list[EventDocument]
    questions: list[EventDocument]
    history: list[EventDocument]
    undo: int | None
    redo: int | None
    last_exam: LastExamDocument | None
    others: list[str]
    sheet: str | None


class TrackOutlines(BaseModel):
    """frames : (N,);  ellipses : (N, 5), to 0.1 px"""

    frames: list[int]
    ellipses: list[Ellipse]


class OutlinesDocument(BaseModel):
    """tracks : by identity"""

    tracks: dict[str, TrackOutlines]


class UpdatesDocument(BaseModel):
    """What is new. head, fingerprint, others : as in `ExamDocument`;  events : the last of those since the request's"""

    head: int
    fingerprint: str
    others: list[str]
    events: list[EventDocument]
