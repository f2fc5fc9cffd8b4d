"""What an exam's page asks for while it is open: its state, its pictures, and that answers be kept."""

from __future__ import annotations

import hashlib
from typing import Annotated, Any

from fastapi import APIRouter, Path, Query, Request
from fastapi.responses import JSONResponse, Response
from pydantic import BaseModel, ConfigDict, Field

from pipeline.report.pictures import egg_picture
from pipeline.report.sightings import best_picture
from pipeline.review.answer_service import Overtaken, Refused, Reviewed
from pipeline.review.answers import Answer, Signed
from pipeline.review.exam_view import clips_of, egg_finding, outlines_document, review_document, said
from pipeline.review.frame_cache import FramesError
from pipeline.review.replay import ReviewedEgg
from pipeline.review.reviewed_exams import Case
from pipeline.review.signed_sheet import keep_sheet, picture_now
from pipeline.review.users import Person
from pipeline.review.web.context import Office
from pipeline.review.web.login import Reason

__all__ = ["exam_addresses"]

Name = Annotated[str, Path(max_length=300)]
Place = Annotated[int, Path(ge=0, le=10_000)]
FrameNumber = Annotated[int, Path(ge=0, le=10_000_000)]
LASTING = {"Cache-Control": "private, max-age=3600"}


class Given(BaseModel):
    """An answer as the page sends it.

    request : the page's own name for it, so that one sent twice is kept once
    seen : the sequence up to which the page knows the exam;  fingerprint : the result it shows
    even_so : the giver has read what others said meanwhile, and it stands
    """

    model_config = ConfigDict(extra="forbid")

    request: Annotated[str, Field(min_length=8, max_length=64, pattern=r"^[A-Za-z0-9-]+$")]
    seen: Annotated[int, Field(ge=0, le=1_000_000_000)]
    fingerprint: Annotated[str, Field(max_length=64)]
    even_so: bool = False
    answer: Annotated[Answer, Field(discriminator="kind")]


REFUSALS: dict[int | str, dict[str, Any]] = {
    status: {"model": Reason} for status in (400, 401, 403, 404, 405, 409, 411, 413, 415, 422)
}


def exam_addresses(office: Office) -> APIRouter:
    router = APIRouter(prefix="/exams/{animal}/{date}", responses=REFUSALS)

    @router.get("/state")
    def state(request: Request, animal: Name, date: Name) -> Response:
        """Everything the page shows, but pictures and outlines."""
        case = office.case(animal, date)
        return _missing() if case is None else JSONResponse(_document(request, case, office.desk.reviewed(case)))

    @router.get("/news")
    def news(
        request: Request, animal: Name, date: Name, seen: Annotated[int, Query(ge=0, le=1_000_000_000)] = 0
    ) -> Response:
        """Who else is here, and what was said since a sequence."""
        case = office.case(animal, date)
        if case is None:
            return _missing()
        others = office.presence.others(case.summary.folder, request.state.session)
        head = office.journal.head(case.key)
        since = office.journal.events(case.key)[seen:] if head > seen else ()
        return JSONResponse(
            {
                "head": head,
                "fingerprint": case.fingerprint,
                "others": others,
                "said": [said(event) for event in since[-50:]],
            }
        )

    @router.post("/answers")
    def answer(request: Request, animal: Name, date: Name, given: Given) -> Response:
        """Keep an answer, and tell how the exam stands with it."""
        person: Person = request.state.session.person
        if not person.can("review"):
            return _refusal(403, "You may look, but not answer.")
        case = office.case(animal, date)
        if case is None:
            return _missing()
        if given.fingerprint != case.fingerprint:
            return _refusal(409, "The recordings were read again meanwhile. Load the page again.")
        if isinstance(given.answer, Signed) and given.answer.name != person.name:
            return _refusal(403, "Everybody signs with their own name.")
        try:
            event, reviewed = office.desk.take(
                case, person, given.request, given.seen, given.answer, even_so=given.even_so
            )
        except Overtaken as error:
            document = _document(request, case, office.desk.reviewed(case))
            others = [said(event) for event in error.events]
            return JSONResponse({"reason": str(error), "overtaken": others, "state": document}, 409)
        except Refused as error:
            return _refusal(409, str(error))
        if event.person != person.name:
            return _refusal(409, "This answer's name is taken.")
        if event.answer.kind in ("signed", "reopened"):
            keep_sheet(office.out, reviewed, office.frame)
        return JSONResponse({"sequence": event.sequence, "state": _document(request, case, reviewed)})

    @router.get("/clips/{place}/outlines")
    def outlines(animal: Name, date: Name, place: Place) -> Response:
        """The outlines of all that was followed in a clip."""
        case = office.case(animal, date)
        clips = [] if case is None else clips_of(case.scans)
        return JSONResponse(outlines_document(clips[place]), headers=LASTING) if place < len(clips) else _missing()

    @router.get("/clips/{place}/frames/{frame}", response_class=Response)
    def frame(animal: Name, date: Name, place: Place, frame: FrameNumber) -> Response:
        """One frame of a clip as JPEG, black outside the sector."""
        case = office.case(animal, date)
        clips = [] if case is None else clips_of(case.scans)
        if case is None or place >= len(clips):
            return _missing()
        try:
            return Response(office.frame(case, place, frame), media_type="image/jpeg", headers=LASTING)
        except FramesError as error:
            return _refusal(404, str(error))

    @router.get("/eggs/{number}", response_class=Response)
    def egg(request: Request, animal: Name, date: Name, number: FrameNumber) -> Response:
        """An egg at its best as JPEG."""
        case = office.case(animal, date)
        if case is None:
            return _missing()
        reviewed = office.desk.reviewed(case)
        found = next((egg for egg in reviewed.state.eggs if egg.number == number), None)
        try:
            picture = None if found is None else _picture(reviewed, found)
        except FramesError as error:
            return _refusal(404, str(error))
        if picture is None:
            return _missing()
        tag = f'"{hashlib.sha256(picture).hexdigest()[:32]}"'
        headers = {"ETag": tag, "Cache-Control": "private, no-cache"}
        if request.headers.get("if-none-match") == tag:
            return Response(status_code=304, headers=headers)
        return Response(picture, media_type="image/jpeg", headers=headers)

    def _picture(reviewed: Reviewed, egg: ReviewedEgg) -> bytes | None:
        finding, case = egg_finding(egg, reviewed), reviewed.case
        found = None if egg.remade else best_picture(finding, case.scans)
        if found is None:  # no picture was kept of an egg that a person put together
            found = picture_now(egg, finding, case, office.frame)
            if found is None:
                return None
        return egg_picture(finding, found)

    def _document(request: Request, case: Case, reviewed: Reviewed) -> dict[str, Any]:
        session = request.state.session
        return review_document(reviewed, session.person, office.presence.others(case.summary.folder, session))

    return router


def _missing() -> Response:
    return _refusal(404, "There is no such thing here.")


def _refusal(status: int, reason: str) -> Response:
    return JSONResponse({"reason": reason}, status)
