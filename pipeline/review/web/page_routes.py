"""The pages: the worklist, an exam, its signed sheet."""

from __future__ import annotations

import json
from typing import Annotated, Literal
from urllib.parse import urlencode

from fastapi import APIRouter, Query, Request
from fastapi.responses import HTMLResponse

from pipeline.review.exam_view import review_document
from pipeline.review.reviewed_exams import CaseError
from pipeline.review.signed_sheet import kept_sheet, signed_sheet
from pipeline.review.web.context import Office
from pipeline.review.web.pages import page
from pipeline.review.web.worklist import PAGE, Filters

__all__ = ["page_addresses"]

Part = Annotated[str, Query(max_length=100)]


def page_addresses(office: Office) -> APIRouter:
    router = APIRouter(default_response_class=HTMLResponse)

    @router.get("/")
    def worklist(
        request: Request,
        show: Literal["open", "signed", "all"] = "open",
        day: Annotated[str, Query(pattern=r"^(today|\d{4}-\d{2}-\d{2})?$")] = "",
        flag: Literal["", "vet today", "check", "note"] = "",
        animal: Part = "",
        species: Part = "",
        page_number: Annotated[int, Query(alias="page", ge=1, le=100_000)] = 1,
    ) -> HTMLResponse:
        filters = Filters(show, day, flag, animal, species, page_number)
        summaries = office.cases.summaries()
        lines, number = office.worklist.lines(summaries, filters)
        query = {"show": show, "day": day, "flag": flag, "animal": animal, "species": species}
        return page(
            "worklist.html.j2",
            lines=lines,
            number=number,
            filters=filters,
            species_known=sorted({s.exam.species for s in summaries if s.exam.species}),
            person=request.state.session.person,
            token=request.state.session.form_token,
            before=f"/?{urlencode({**query, 'page': page_number - 1})}" if page_number > 1 else None,
            after=f"/?{urlencode({**query, 'page': page_number + 1})}" if number > page_number * PAGE else None,
        )

    @router.get("/exams/{animal}/{date}")
    def exam(request: Request, animal: str, date: str) -> HTMLResponse:
        session = request.state.session
        try:
            case = office.case(animal, date)
        except CaseError as error:
            return _lost(str(error), 409)
        if case is None:
            return _lost("There is no such exam.", 404)
        others = office.presence.others(case.summary.folder, session)
        document = review_document(office.desk.reviewed(case), session.person, others)
        following = office.worklist.next_after(office.cases.summaries(), case.summary.folder)
        return page(
            "exam.html.j2",
            exam=case.exam,
            title=f"{case.exam.animal}, {document['date']}",
            document=json.dumps(document, ensure_ascii=True),
            person=session.person,
            token=session.form_token,
            following=following or "/",
        )

    @router.get("/exams/{animal}/{date}/sheet")
    def sheet(animal: str, date: str) -> HTMLResponse:
        case = office.case(animal, date)
        if case is None:
            return _lost("There is no such exam.", 404)
        reviewed = office.desk.reviewed(case)
        if reviewed.state.signed is None:
            return _lost("This exam is not signed.", 404)
        made = kept_sheet(office.out, case) or signed_sheet(reviewed, office.frame) or b""
        response = HTMLResponse(made)
        # The sheet is one file with its own pictures and style, the same that lies in the output folder.
        response.headers["Content-Security-Policy"] = (
            "default-src 'none'; img-src data:; style-src 'unsafe-inline'; frame-ancestors 'none'; sandbox"
        )
        return response

    return router


def _lost(reason: str, status: int) -> HTMLResponse:
    return page("not_found.html.j2", status, reason=reason)
