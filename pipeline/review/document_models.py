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
    "OutlinesDocument",
    "RefusedClipDocument",
    "SignatureDocument",
    "TrackOutlines",
    "UpdatesDocument",
    "UserDocument",
]

Ellipse = tuple[float, float, float, float, float]


class EventDocument(BaseModel):
    """One line of the history: an answer in words."""

    sequence: int
    who: str
    at: str
    what: str


class SignatureDocument(BaseModel):
    """login : how the user was known, in words, empty if that was not recorded

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
    """A count in the sheet's words. figure : the number, or "none seen", or "not scanned"; the rest may be empty"""

    figure: str
    count_text: str = ""
    range: str = ""
    at_least: str = ""
    stage: str = ""
    follicles: str = ""


class FlagDocument(BaseModel):
    severity: Severity
    reason: str


class EggDocument(BaseModel):
    """counted : whether the count includes it now;  staged : whether a user set the stage

    confidence : probability that it is one real egg or follicle
    description : size, or why it is not counted, in words;  certainty : in words, "" if answered or not counted
    outlines : drawn ones, by track;  best : clip index and frame where it is seen best;  picture : address
    """

    number: int
    segments: tuple[TrackSegment, ...]
    counted_by_batch: bool
    counted: bool
    verdict: Verdict | None
    stage: Stage
    staged: bool
    confidence: float
    description: str
    certainty: str
    answered_by: str | None
    outlines: dict[str, Ellipse]
    best: tuple[int, int]
    picture: str


class ClipDocument(BaseModel):
    """frames : how many;  rate : frames per second, None if unknown;  width, height : px"""

    file: str
    name: str
    frames: int
    rate: float | None
    width: int
    height: int
    unusable: list[tuple[int, int]]
    used: list[tuple[int, int]]


class RefusedClipDocument(BaseModel):
    file: str
    reason: str


class ExamDocument(BaseModel):
    """Everything that the page shows, except pictures and outlines.

    head : sequence of the last answer;  fingerprint : of the result that the page shows
    now, program : the count with the answers, and the batch's own;  undo, redo : what the user's would apply to
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
