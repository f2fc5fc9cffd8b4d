"""Coming in and going out. Beyond this machine a password proves who comes; on it alone a name is asked, to sign by."""

from __future__ import annotations

import math
from typing import Annotated, Any

from fastapi import APIRouter, Request, Response
from fastapi.responses import HTMLResponse, JSONResponse
from pydantic import BaseModel, ConfigDict, Field

from pipeline.review.users import User, clean_text
from pipeline.review.web.app_context import AppContext
from pipeline.review.web.rendering import render_page
from pipeline.review.web.security import SESSION_COOKIE
from pipeline.review.web.sessions import SESSION_SECONDS

__all__ = ["ErrorResponse", "login_routes"]


class LoginRequest(BaseModel):
    """Who comes in. role is asked on this machine alone, the password beyond it."""

    model_config = ConfigDict(extra="forbid")

    name: Annotated[str, Field(min_length=1, max_length=200)]
    role: Annotated[str, Field(max_length=200)] = ""
    password: Annotated[str, Field(max_length=1000)] = ""


class ErrorResponse(BaseModel):
    """Why something was not done."""

    reason: str


def login_routes(context: AppContext) -> APIRouter:
    router = APIRouter()

    @router.get("/login", response_class=HTMLResponse)
    def login_page() -> HTMLResponse:
        return render_page("login.html.j2", needs_login=context.needs_login)

    refusals: dict[int | str, dict[str, Any]] = {
        status: {"model": ErrorResponse} for status in (400, 401, 403, 411, 413, 415, 422, 429)
    }

    @router.post("/login", responses=refusals)
    def login(login_request: LoginRequest, request: Request) -> Response:
        if context.needs_login:
            address = request.client.host if request.client else "unknown"
            name = login_request.name.casefold()
            wait = max(
                context.rate_limit_by_name.retry_after_s(name), context.rate_limit_by_address.retry_after_s(address)
            )
            if wait > 0:
                minutes = math.ceil(wait / 60)
                return _refusal(429, f"Too many tries. Wait {minutes} minutes.", {"Retry-After": str(math.ceil(wait))})
            user = context.users.authenticate(login_request.name, login_request.password)
            if user is None:
                context.rate_limit_by_name.record_failure(name)
                context.rate_limit_by_address.record_failure(address)
                return _refusal(401, "Name and password do not belong together.")
            context.rate_limit_by_name.reset(name)
        else:
            name, role = clean_text(login_request.name), clean_text(login_request.role)
            if not name or not role:
                return _refusal(422, "Tell your name and what you are here, to sign by.")
            user = User(name, role, "sign")
        if request.state.session is not None:
            context.sessions.end(request.state.session.token)
        session = context.sessions.begin(user)
        response = JSONResponse({"name": user.name})
        response.set_cookie(
            SESSION_COOKIE,
            session.token,
            max_age=int(SESSION_SECONDS),
            httponly=True,
            samesite="strict",
            secure=context.is_encrypted,
        )
        return response

    @router.post("/logout", responses=refusals)
    def logout(request: Request) -> Response:
        context.sessions.end(request.state.session.token)
        response = JSONResponse({})
        response.delete_cookie(SESSION_COOKIE, httponly=True, samesite="strict", secure=context.is_encrypted)
        return response

    return router


def _refusal(status: int, reason: str, headers: dict[str, str] | None = None) -> JSONResponse:
    return JSONResponse({"reason": reason}, status, headers)
