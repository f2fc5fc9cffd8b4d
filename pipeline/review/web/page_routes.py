"""The HTML pages: the worklist, an exam, its signed sheet."""

from __future__ import annotations

import datetime as dt
import json
from typing import Annotated, Literal
from urllib.parse import urlencode

from fastapi import APIRouter, Query, Request
from fastapi.responses import FileResponse, HTMLResponse, RedirectResponse, Response

from pipeline.exams.outcomes import OUTCOME_KINDS
from pipeline.people.signatures import SIGNED_HTML, SIGNED_PDF
from pipeline.review.cases import CaseError
from pipeline.review.signed_sheet import load_signed_sheet, render_signed_sheet
from pipeline.review.web.app_context import AppContext
from pipeline.review.web.exam_state import exam_state
from pipeline.review.web.rendering import render_page
from pipeline.review.web.worklist import PAGE_SIZE, Filters

__all__ = ["page_routes"]

SHEET_FILES = ("report.html", "report.pdf", SIGNED_HTML, SIGNED_PDF)
SHEET_HEADERS = {
    "Content-Security-Policy": (
        "default-src 'none'; img-src data:; style-src 'unsafe-inline'; frame-ancestors 'none'; sandbox"
    )
}
FilterText = Annotated[str, Query(max_length=100)]


def page_routes(context: AppContext) -> APIRouter:
    router = APIRouter(default_response_class=HTMLResponse)

    @router.get("/")
    def worklist(
        request: Request,
        show: Literal["open", "signed", "all"] = "open",
        day: Annotated[str, Query(pattern=r"^(today|\d{4}-\d{2}-\d{2})?$")] = "",
        flag: Literal["", "vet today", "check", "note"] = "",
        animal: FilterText = "",
        species: FilterText = "",
        page_number: Annotated[int, Query(alias="page", ge=1, le=100_000)] = 1,
    ) -> HTMLResponse:
        filters = Filters(show, day, flag, animal, species, page_number)
        lines, count = context.worklist.lines(filters)
        query = {"show": show, "day": day, "flag": flag, "animal": animal, "species": species}

        def page_link(number: int) -> str:
            return f"/?{urlencode({**query, 'page': number})}"

        return render_page(
            "worklist.html.j2",
            lines=lines,
            count=count,
            filters=filters,
            all_species=context.cases.species(),
            user=request.state.session.user,
            csrf_token=request.state.session.csrf_token,
            previous_page=page_link(page_number - 1) if page_number > 1 else None,
            next_page=page_link(page_number + 1) if count > page_number * PAGE_SIZE else None,
        )

    @router.get("/exams/{animal}/{date}")
    def exam(request: Request, animal: str, date: str) -> HTMLResponse:
        session = request.state.session
        try:
            case = context.case(animal, date)
        except CaseError as error:
            return _error_page(str(error), 409)
        if case is None:
            return _error_page("There is no such exam.", 404)
        folder = case.summary.folder
        context.presence.mark_present(folder, session)
        document = exam_state(context, context.answer_service.current_review(case), session)
        return render_page(
            "exam.html.j2",
            exam=case.exam,
            title=f"{case.exam.animal}, {document.date}",
            document=json.dumps(document.model_dump(mode="json"), ensure_ascii=True),
            user=session.user,
            csrf_token=session.csrf_token,
            last_exam=document.last_exam,
            outcome_kinds=OUTCOME_KINDS,
            today=dt.date.today().isoformat(),
            neighbours=context.worklist.neighbours(case.key),
            next_exam=context.worklist.next_open_exam(folder) or "/",
        )

    @router.get("/exams/{animal}/{date}/sheet")
    def sheet(animal: str, date: str) -> HTMLResponse:
        case = context.case(animal, date)
        if case is None:
            return _error_page("There is no such exam.", 404)
        reviewed = context.answer_service.current_review(case)
        is_signed = reviewed.state.signature is not None
        page = load_signed_sheet(context.out, case) if is_signed else None
        if page is None:
            rendered = render_signed_sheet(reviewed, context.frame)
            if rendered is None:
                return _error_page("This exam is not signed.", 404)
            page = rendered.html
        # The sheet is one file with its pictures and style inside, the same as in the output folder.
        return HTMLResponse(page, headers=SHEET_HEADERS)

    # Sheets link each other as files of the output folder, also where the review serves them.
    @router.get("/exams/index.html", include_in_schema=False)
    def index() -> RedirectResponse:
        return RedirectResponse("/")

    def sheet_file(request: Request, animal: str, date: str) -> Response:
        """One of the sheets that the batch or the review wrote, as it lies in the output folder."""
        case, name = context.case(animal, date), request.url.path.rpartition("/")[2]
        path = None if case is None or name not in SHEET_FILES else context.out / case.summary.folder / name
        if path is None or not path.is_file():
            return _error_page("There is no such sheet.", 404)
        return FileResponse(path, headers=SHEET_HEADERS if name.endswith(".html") else None)

    for file in SHEET_FILES:
        router.add_api_route(f"/exams/{{animal}}/{{date}}/{file}", sheet_file, response_class=Response)

    return router


def _error_page(reason: str, status: int) -> HTMLResponse:
    return render_page("error.html.j2", status, reason=reason)
