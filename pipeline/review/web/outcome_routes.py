"""What became of an animal's eggs, recorded and listed on an exam's page."""

from __future__ import annotations

import datetime as dt
from typing import Annotated

from fastapi import APIRouter, Path, Request
from fastapi.responses import Response
from pydantic import BaseModel, ConfigDict, Field

from pipeline.exams.outcome_file import OutcomeError, parse_outcome
from pipeline.exams.outcomes import current_outcomes
from pipeline.formatting import date_text
from pipeline.language.stored_text import stored_text
from pipeline.people.outcome_record import add_outcomes, recorded_outcomes
from pipeline.people.users import User
from pipeline.review.document_models import OutcomeDocument
from pipeline.review.web.app_context import AppContext
from pipeline.review.web.responses import document_response, error_response, error_responses

__all__ = ["outcome_routes"]

Name = Annotated[str, Path(max_length=300)]
Cell = Annotated[str, Field(max_length=1000)]


class OutcomeRequest(BaseModel):
    """An outcome as the page sends it; the animal is the exam's, and who recorded it is the user."""

    model_config = ConfigDict(extra="forbid")

    kind: Cell
    date: Cell
    number: Cell = ""
    note: Cell = ""


class OutcomesResponse(BaseModel):
    """outcomes : those of the animal that are valid now, by date"""

    outcomes: list[OutcomeDocument]


def outcome_routes(context: AppContext) -> APIRouter:
    router = APIRouter(
        prefix="/exams/{animal}/{date}", responses=error_responses(400, 401, 403, 404, 405, 411, 413, 415, 422)
    )

    @router.get("/outcomes", response_model=OutcomesResponse)
    def outcomes(animal: Name, date: Name) -> Response:
        """What was told of the animal's eggs so far."""
        case = context.case(animal, date)
        return error_response(404, "Not found.") if case is None else _recorded(case.exam.animal)

    @router.post("/outcomes", response_model=OutcomesResponse)
    def add_outcome(request: Request, animal: Name, date: Name, outcome_request: OutcomeRequest) -> Response:
        """Record an outcome. Nothing is overwritten: the last one of a kind and date is valid."""
        user: User = request.state.session.user
        if not user.can("review"):
            return error_response(403, "You have permission to view, but not to answer.")
        case = context.case(animal, date)
        if case is None:
            return error_response(404, "Not found.")
        cells = {
            "animal": case.exam.animal,
            "outcome": outcome_request.kind,
            "date": outcome_request.date,
            "number": outcome_request.number,
            "who": user.name,
            "note": outcome_request.note,
        }
        try:
            outcome = parse_outcome(cells, today=dt.date.today())
        except OutcomeError as error:
            return error_response(422, str(error))
        add_outcomes(context.event_log.journal, [outcome])
        return _recorded(case.exam.animal)

    def _recorded(animal: str) -> Response:
        known = current_outcomes(recorded_outcomes(context.event_log.journal))
        return document_response(
            OutcomesResponse(
                outcomes=[
                    OutcomeDocument(
                        kind=stored_text(one.kind),
                        date=date_text(one.date),
                        number=one.number,
                        who=one.who or "",
                        note=one.note or "",
                    )
                    for one in known
                    if one.animal.casefold() == animal.casefold()
                ]
            )
        )

    return router
