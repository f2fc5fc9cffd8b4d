"""What an open exam page requests: its state, its pictures, and that answers are stored."""

from __future__ import annotations

import hashlib
from typing import Annotated

from fastapi import APIRouter, Path, Query, Request
from fastapi.responses import JSONResponse, Response
from pydantic import BaseModel, ConfigDict, Field

from pipeline.people.answers import RequestedAnswer
from pipeline.people.users import User
from pipeline.report.egg_pictures import egg_picture
from pipeline.report.sightings import best_picture
from pipeline.review.answer_service import AnswerRejected, EditConflict
from pipeline.review.best_view import usable_clips
from pipeline.review.document_models import ExamDocument, OutlinesDocument, UpdatesDocument
from pipeline.review.exam_document import egg_finding, event_document, outlines_document
from pipeline.review.exam_review import ExamReview
from pipeline.review.frame_cache import FrameUnavailableError
from pipeline.review.replay import ReviewedEgg
from pipeline.review.signed_sheet import current_picture, sync_signed_sheet
from pipeline.review.web.app_context import AppContext
from pipeline.review.web.exam_state import exam_state
from pipeline.review.web.responses import document_response, error_response, error_responses

__all__ = ["exam_routes"]

Name = Annotated[str, Path(max_length=300)]
ClipIndex = Annotated[int, Path(ge=0, le=10_000)]
FrameNumber = Annotated[int, Path(ge=0, le=10_000_000)]
MAXIMUM_UPDATES = 50  # events in one response
CACHE_HEADERS = {"Cache-Control": "private, max-age=3600"}


class AnswerRequest(BaseModel):
    """An answer as the page sends it.

    request_id : chosen by the page; an answer sent twice under one id is stored once
    base_sequence : the sequence up to which the page knows the exam;  fingerprint : of the result that it shows
    override_conflict : the user has seen the others' answers and insists
    """

    model_config = ConfigDict(extra="forbid")

    request_id: Annotated[str, Field(min_length=8, max_length=64, pattern=r"^[A-Za-z0-9-]+$")]
    base_sequence: Annotated[int, Field(ge=0, le=1_000_000_000)]
    fingerprint: Annotated[str, Field(max_length=64)]
    override_conflict: bool = False
    answer: Annotated[RequestedAnswer, Field(discriminator="kind")]


class AnswerResponse(BaseModel):
    """sequence : of the stored answer;  state : of the exam with it"""

    sequence: int
    state: ExamDocument


def exam_routes(context: AppContext) -> APIRouter:
    router = APIRouter(
        prefix="/exams/{animal}/{date}", responses=error_responses(400, 401, 403, 404, 405, 409, 411, 413, 415, 422)
    )

    @router.get("/state", response_model=ExamDocument)
    def state(request: Request, animal: Name, date: Name, present: bool = True) -> Response:
        """Everything that the page shows, except pictures and outlines.

        present : whether the user has this page open; not if it is only looked up for another one
        """
        case = context.case(animal, date)
        if case is None:
            return _not_found()
        if present:
            context.presence.mark_present(case.summary.folder, request.state.session)
        return document_response(_document(request, context.answer_service.current_review(case)))

    @router.get("/updates", response_model=UpdatesDocument)
    def updates(
        request: Request, animal: Name, date: Name, base_sequence: Annotated[int, Query(ge=0, le=1_000_000_000)] = 0
    ) -> Response:
        """Who else is on this page, and the answers after a sequence."""
        case = context.case(animal, date)
        if case is None:
            return _not_found()
        session, folder = request.state.session, case.summary.folder
        context.presence.mark_present(folder, session)
        head = context.event_log.head(case.key)
        since = context.event_log.events(case.key)[base_sequence:] if head > base_sequence else ()
        return document_response(
            UpdatesDocument(
                head=head,
                fingerprint=case.fingerprint,
                others=context.presence.other_viewers(folder, session),
                events=[event_document(event) for event in since[-MAXIMUM_UPDATES:]],
            )
        )

    @router.post("/answers", response_model=AnswerResponse)
    def answer(request: Request, animal: Name, date: Name, answer_request: AnswerRequest) -> Response:
        """Store an answer. Returns the exam's state with it."""
        user: User = request.state.session.user
        if not user.can("review"):
            return error_response(403, "You have permission to view, but not to answer.")
        case = context.case(animal, date)
        if case is None:
            return _not_found()
        if answer_request.fingerprint != case.fingerprint:
            return error_response(409, "The recordings have been read again since. Reload the page.")
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
            current = _document(request, context.answer_service.current_review(case))
            others = [event_document(event).model_dump() for event in error.events]
            return error_response(409, str(error), conflict=others, state=current.model_dump(mode="json"))
        except AnswerRejected as error:
            return error_response(409, str(error))
        if event.person != user.name:
            return error_response(409, "This request id is already in use.")
        if event.answer.kind in ("signed", "reopened"):
            with context.signature_files:
                sync_signed_sheet(context.out, reviewed, context.frame)
        return document_response(AnswerResponse(sequence=event.sequence, state=_document(request, reviewed)))

    @router.get("/clips/{clip_index}/outlines", response_model=OutlinesDocument)
    def outlines(animal: Name, date: Name, clip_index: ClipIndex) -> Response:
        """The outlines of all tracks of a clip."""
        case = context.case(animal, date)
        clips = [] if case is None else usable_clips(case.scans)
        if clip_index >= len(clips):
            return _not_found()
        return document_response(outlines_document(clips[clip_index]), CACHE_HEADERS)

    @router.get("/clips/{clip_index}/frames/{frame}", response_class=Response)
    def frame(animal: Name, date: Name, clip_index: ClipIndex, frame: FrameNumber) -> Response:
        """One frame of a clip as JPEG, black outside the sector."""
        case = context.case(animal, date)
        clips = [] if case is None else usable_clips(case.scans)
        if case is None or clip_index >= len(clips):
            return _not_found()
        try:
            return Response(context.frame(case, clip_index, frame), media_type="image/jpeg", headers=CACHE_HEADERS)
        except FrameUnavailableError as error:
            return error_response(404, str(error))

    @router.get("/eggs/{number}", response_class=Response)
    def egg(request: Request, animal: Name, date: Name, number: FrameNumber) -> Response:
        """The best view of an egg as JPEG."""
        case = context.case(animal, date)
        if case is None:
            return _not_found()
        reviewed = context.answer_service.current_review(case)
        found = next((egg for egg in reviewed.state.eggs if egg.number == number), None)
        try:
            picture = None if found is None else _picture(reviewed, found)
        except FrameUnavailableError as error:
            return error_response(404, str(error))
        if picture is None:
            return _not_found()
        tag = f'"{hashlib.sha256(picture).hexdigest()[:32]}"'
        headers = {"ETag": tag, "Cache-Control": "private, no-cache"}
        if request.headers.get("if-none-match") == tag:
            return Response(status_code=304, headers=headers)
        return Response(picture, media_type="image/jpeg", headers=headers)

    def _picture(reviewed: ExamReview, egg: ReviewedEgg) -> bytes | None:
        finding, case = egg_finding(egg, reviewed), reviewed.case
        stored = None if egg.is_regrouped or egg.reshaped else best_picture(finding, case.scans)
        # The batch stored no picture of an egg that a user drew, reshaped, merged or split.
        shown = stored or current_picture(egg, finding, case, context.frame)
        return None if shown is None else egg_picture(finding, shown)

    def _document(request: Request, reviewed: ExamReview) -> ExamDocument:
        return exam_state(context, reviewed, request.state.session)

    return router


def _not_found() -> JSONResponse:
    return error_response(404, "Not found.")
