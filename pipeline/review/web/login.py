"""Coming in and going out. Beyond this machine a password proves who comes; on it alone a name is asked, to sign by."""

from __future__ import annotations

import math
from typing import Annotated, Any

from fastapi import APIRouter, Request, Response
from fastapi.responses import HTMLResponse, JSONResponse
from pydantic import BaseModel, ConfigDict, Field

from pipeline.review.users import Person, clean
from pipeline.review.web.context import Office
from pipeline.review.web.pages import page
from pipeline.review.web.security import COOKIE
from pipeline.review.web.sessions import LASTS_SECONDS

__all__ = ["Reason", "door_addresses"]


class Coming(BaseModel):
    """Who comes in. role is asked on this machine alone, the password beyond it."""

    model_config = ConfigDict(extra="forbid")

    name: Annotated[str, Field(min_length=1, max_length=200)]
    role: Annotated[str, Field(max_length=200)] = ""
    password: Annotated[str, Field(max_length=1000)] = ""


class Reason(BaseModel):
    """Why something was not done."""

    reason: str


def door_addresses(office: Office) -> APIRouter:
    router = APIRouter()

    @router.get("/door", response_class=HTMLResponse)
    def door() -> HTMLResponse:
        return page("login.html.j2", needs_login=office.needs_login)

    refusals: dict[int | str, dict[str, Any]] = {
        status: {"model": Reason} for status in (400, 401, 403, 411, 413, 415, 422, 429)
    }

    @router.post("/enter", responses=refusals)
    def enter(coming: Coming, request: Request) -> Response:
        if office.needs_login:
            address = request.client.host if request.client else "unknown"
            name = coming.name.casefold()
            wait = max(office.attempts.wait_seconds(name), office.attempts_from.wait_seconds(address))
            if wait > 0:
                minutes = math.ceil(wait / 60)
                return _refusal(429, f"Too many tries. Wait {minutes} minutes.", {"Retry-After": str(math.ceil(wait))})
            person = office.people.known(coming.name, coming.password)
            if person is None:
                office.attempts.failed(name)
                office.attempts_from.failed(address)
                return _refusal(401, "Name and password do not belong together.")
            office.attempts.succeeded(name)
        else:
            name, role = clean(coming.name), clean(coming.role)
            if not name or not role:
                return _refusal(422, "Tell your name and what you are here, to sign by.")
            person = Person(name, role, "sign")
        if request.state.session is not None:
            office.sessions.end(request.state.session.token)
        session = office.sessions.begin(person)
        response = JSONResponse({"name": person.name})
        response.set_cookie(
            COOKIE,
            session.token,
            max_age=int(LASTS_SECONDS),
            httponly=True,
            samesite="strict",
            secure=office.is_encrypted,
        )
        return response

    @router.post("/leave", responses=refusals)
    def leave(request: Request) -> Response:
        office.sessions.end(request.state.session.token)
        response = JSONResponse({})
        response.delete_cookie(COOKIE, httponly=True, samesite="strict", secure=office.is_encrypted)
        return response

    return router


def _refusal(status: int, reason: str, headers: dict[str, str] | None = None) -> JSONResponse:
    return JSONResponse({"reason": reason}, status, headers)
