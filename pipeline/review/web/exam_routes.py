"""What an exam's page asks for while it is open: its state, its pictures, and that answers be kept."""

from __future__ import annotations

import hashlib
from typing import Annotated, Any

from fastapi import APIRouter, Path, Query, Request
from fastapi.responses import JSONResponse, Response
from pydantic import BaseModel, ConfigDict, Field

from pipeline.report.egg_pictures import egg_picture
from pipeline.report.sightings import best_picture
from pipeline.review.answer_service import AnswerRejected, EditConflict, ExamReview
from pipeline.review.answers import Answer, SignExam
from pipeline.review.cases import ReviewCase
from pipeline.review.exam_document import egg_finding, event_document, outlines_document, review_document, usable_clips
from pipeline.review.frame_cache import FrameUnavailableError
from pipeline.review.replay import ReviewedEgg
from pipeline.review.signed_sheet import current_picture, sync_signed_sheet
from pipeline.review.users import User
from pipeline.review.web.app_context import AppContext
from pipeline.review.web.login import ErrorResponse

__all__ = ["exam_routes"]

Name = Annotated[str, Path(max_length=300)]
ClipIndex = Annotated[int, Path(ge=0, le=10_000)]
FrameNumber = Annotated[int, Path(ge=0, le=10_000_000)]
CACHE_HEADERS = {"Cache-Control": "private, max-age=3600"}


class AnswerRequest(BaseModel):
    """An answer as the page sends it.

    request_id : the page's own name for it, so that one sent twice is kept once
    base_sequence : the sequence up to which the page knows the exam;  fingerprint : the result it shows
    override_conflict : the giver has read what others said meanwhile, and it stands
    """

    model_config = ConfigDict(extra="forbid")

    request_id: Annotated[str, Field(min_length=8, max_length=64, pattern=r"^[A-Za-z0-9-]+$")]
    base_sequence: Annotated[int, Field(ge=0, le=1_000_000_000)]
    fingerprint: Annotated[str, Field(max_length=64)]
    override_conflict: bool = False
    answer: Annotated[Answer, Field(discriminator="kind")]


ERROR_RESPONSES: dict[int | str, dict[str, Any]] = {
    status: {"model": ErrorResponse} for status in (400, 401, 403, 404, 405, 409, 411, 413, 415, 422)
}


def exam_routes(context: AppContext) -> APIRouter:
    router = APIRouter(prefix="/exams/{animal}/{date}", responses=ERROR_RESPONSES)

    @router.get("/state")
    def state(request: Request, animal: Name, date: Name) -> Response:
        """Everything the page shows, but pictures and outlines."""
        case = context.case(animal, date)
        return (
            _missing()
            if case is None
            else JSONResponse(_document(request, case, context.answer_service.current_review(case)))
        )

    @router.get("/updates")
    def updates(
        request: Request, animal: Name, date: Name, base_sequence: Annotated[int, Query(ge=0, le=1_000_000_000)] = 0
    ) -> Response:
        """Who else is here, and what was said since a sequence."""
        case = context.case(animal, date)
        if case is None:
            return _missing()
        others = context.presence.heartbeat(case.summary.folder, request.state.session)
        head = context.event_log.head(case.key)
        since = context.event_log.events(case.key)[base_sequence:] if head > base_sequence else ()
        return JSONResponse(
            {
                "head": head,
                "fingerprint": case.fingerprint,
                "others": others,
                "events": [event_document(event) for event in since[-50:]],
            }
        )

    @router.post("/answers")
    def answer(request: Request, animal: Name, date: Name, answer_request: AnswerRequest) -> Response:
        """Keep an answer, and tell how the exam stands with it."""
        user: User = request.state.session.user
        if not user.can("review"):
            return _refusal(403, "You may look, but not answer.")
        case = context.case(animal, date)
        if case is None:
            return _missing()
        if answer_request.fingerprint != case.fingerprint:
            return _refusal(409, "The recordings were read again meanwhile. Load the page again.")
        if isinstance(answer_request.answer, SignExam) and answer_request.answer.name != user.name:
            return _refusal(403, "Everybody signs with their own name.")
        try:
            event, reviewed = context.answer_service.submit(
                case,
                user,
                answer_request.request_id,
                answer_request.base_sequence,
                answer_request.answer,
                override_conflict=answer_request.override_conflict,
            )
        except EditConflict as error:
            document = _document(request, case, context.answer_service.current_review(case))
            others = [event_document(event) for event in error.events]
            return JSONResponse({"reason": str(error), "conflict": others, "state": document}, 409)
        except AnswerRejected as error:
            return _refusal(409, str(error))
        if event.person != user.name:
            return _refusal(409, "This answer's name is taken.")
        if event.answer.kind in ("signed", "reopened"):
            sync_signed_sheet(context.out, reviewed, context.frame)
        return JSONResponse({"sequence": event.sequence, "state": _document(request, case, reviewed)})

    @router.get("/clips/{clip_index}/outlines")
    def outlines(animal: Name, date: Name, clip_index: ClipIndex) -> Response:
        """The outlines of all that was followed in a clip."""
        case = context.case(animal, date)
        clips = [] if case is None else usable_clips(case.scans)
        return (
            JSONResponse(outlines_document(clips[clip_index]), headers=CACHE_HEADERS)
            if clip_index < len(clips)
            else _missing()
        )

    @router.get("/clips/{clip_index}/frames/{frame}", response_class=Response)
    def frame(animal: Name, date: Name, clip_index: ClipIndex, frame: FrameNumber) -> Response:
        """One frame of a clip as JPEG, black outside the sector."""
        case = context.case(animal, date)
        clips = [] if case is None else usable_clips(case.scans)
        if case is None or clip_index >= len(clips):
            return _missing()
        try:
            return Response(context.frame(case, clip_index, frame), media_type="image/jpeg", headers=CACHE_HEADERS)
        except FrameUnavailableError as error:
            return _refusal(404, str(error))

    @router.get("/eggs/{number}", response_class=Response)
    def egg(request: Request, animal: Name, date: Name, number: FrameNumber) -> Response:
        """An egg at its best as JPEG."""
        case = context.case(animal, date)
        if case is None:
            return _missing()
        reviewed = context.answer_service.current_review(case)
        found = next((egg for egg in reviewed.state.eggs if egg.number == number), None)
        try:
            picture = None if found is None else _picture(reviewed, found)
        except FrameUnavailableError as error:
            return _refusal(404, str(error))
        if picture is None:
            return _missing()
        tag = f'"{hashlib.sha256(picture).hexdigest()[:32]}"'
        headers = {"ETag": tag, "Cache-Control": "private, no-cache"}
        if request.headers.get("if-none-match") == tag:
            return Response(status_code=304, headers=headers)
        return Response(picture, media_type="image/jpeg", headers=headers)

    def _picture(reviewed: ExamReview, egg: ReviewedEgg) -> bytes | None:
        finding, case = egg_finding(egg, reviewed), reviewed.case
        found = None if egg.is_regrouped else best_picture(finding, case.scans)
        if found is None:  # no picture was kept of an egg that a user put together
            found = current_picture(egg, finding, case, context.frame)
            if found is None:
                return None
        return egg_picture(finding, found)

    def _document(request: Request, case: ReviewCase, reviewed: ExamReview) -> dict[str, Any]:
        session = request.state.session
        return review_document(reviewed, session.user, context.presence.heartbeat(case.summary.folder, session))

    return router


def _missing() -> Response:
    return _refusal(404, "There is no such thing here.")


def _refusal(status: int, reason: str) -> Response:
    return JSONResponse({"reason": reason}, status)
