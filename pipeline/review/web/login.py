"""Logging in and out. Beyond this machine users need a password; on this machine they choose a name from a list."""

from __future__ import annotations

import math
from typing import Annotated

from anyio.to_thread import run_sync
from fastapi import APIRouter, Request, Response
from fastapi.responses import HTMLResponse, JSONResponse
from pydantic import BaseModel, ConfigDict, Field

from pipeline.review.web.app_context import AppContext
from pipeline.review.web.login_throttle import LoginOrigin
from pipeline.review.web.rendering import render_page
from pipeline.review.web.responses import error_response, error_responses
from pipeline.review.web.security import SESSION_COOKIE
from pipeline.review.web.sessions import SESSION_SECONDS

__all__ = ["LoginRequest", "NewNameRequest", "login_routes"]


class LoginRequest(BaseModel):
    """Who logs in. password : used beyond this machine only"""

    model_config = ConfigDict(extra="forbid")

    name: Annotated[str, Field(min_length=1, max_length=200)]
    password: Annotated[str, Field(max_length=1000)] = ""


class NewNameRequest(BaseModel):
    """A name to add to the list of this machine."""

    model_config = ConfigDict(extra="forbid")

    name: Annotated[str, Field(min_length=1, max_length=200)]
    role: Annotated[str, Field(min_length=1, max_length=200)]


def login_routes(context: AppContext) -> APIRouter:
    router = APIRouter()
    errors = error_responses(400, 401, 403, 411, 413, 415, 422, 429)

    @router.get("/login", response_class=HTMLResponse)
    def login_page() -> HTMLResponse:
        # Beyond this machine nobody learns who has an account.
        users = [] if context.needs_login else context.users.list_users()
        return render_page("login.html.j2", needs_login=context.needs_login, users=users)

    @router.post("/login/names", responses=errors)
    def add_name(new_name: NewNameRequest) -> Response:
        """Add a name to the list that this machine shows; its role stays as it is given here."""
        if context.needs_login:
            return error_response(403, "Accounts are made with `clutchlight users`.")
        try:
            user = context.users.add_name(new_name.name, new_name.role)
        except ValueError as error:
            return error_response(422, str(error))
        return JSONResponse({"name": user.name})

    @router.post("/login", responses=errors)
    async def login(login_request: LoginRequest, request: Request) -> Response:
        if context.needs_login:
            address = request.client.host if request.client else "unknown"
            origin = LoginOrigin.of(address, login_request.name)
            wait_s = math.ceil(context.login_throttle.begin(origin))
            if wait_s > 0:
                reason = f"Too many attempts. Try again in {wait_s} s."
                return error_response(429, reason, headers={"Retry-After": str(wait_s)})
            account = None
            try:
                account = await run_sync(
                    context.users.authenticate,
                    login_request.name,
                    login_request.password,
                    limiter=context.password_checks,
                )
            finally:
                context.login_throttle.end(origin, is_right=account is not None)
            if account is None:
                return error_response(401, "Wrong name or password.")
        else:
            account = await run_sync(context.users.find, login_request.name)
            if account is None:
                return error_response(401, "This name is not in the list.")
        if request.state.session is not None:
            context.sessions.end(request.state.session.token)
        session = context.sessions.begin(*account)
        response = JSONResponse({"name": account.user.name})
        response.set_cookie(
            SESSION_COOKIE,
            session.token,
            max_age=int(SESSION_SECONDS),
            httponly=True,
            samesite="strict",
            secure=context.is_encrypted,
        )
        return response

    @router.post("/logout", responses=errors)
    def logout(request: Request) -> Response:
        context.sessions.end(request.state.session.token)
        response = JSONResponse({})
        response.delete_cookie(SESSION_COOKIE, httponly=True, samesite="strict", secure=context.is_encrypted)
        return response

    return router
