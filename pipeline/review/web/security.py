"""What every request meets first, and what every answer carries.

Other sites cannot act in a person's name: the host's name must be ours (so that no foreign name leads here), whatever
changes anything must come from our own page, be JSON, and show a token that only our pages know, and the cookie is
sent by no other site's page. Our pages run our own scripts and styles and nothing written into them.
"""

from __future__ import annotations

import secrets
from collections.abc import Awaitable, Callable
from urllib.parse import urlsplit

from starlette.requests import Request
from starlette.responses import JSONResponse, RedirectResponse, Response

from pipeline.review.web.app_context import AppContext

__all__ = ["CSRF_HEADER", "MAXIMUM_BODY_BYTES", "SESSION_COOKIE", "SecurityMiddleware"]

SESSION_COOKIE = "clutchlight"
CSRF_HEADER = "x-clutchlight-token"
MAXIMUM_BODY_BYTES = 256 * 1024
PUBLIC_PATHS = ("/login", "/static/")  # addresses for people who are not in yet

SECURITY_HEADERS = {
    "Content-Security-Policy": (
        "default-src 'none'; script-src 'self'; style-src 'self'; img-src 'self'; connect-src 'self'; "
        "form-action 'self'; base-uri 'none'; frame-ancestors 'none'"
    ),
    "X-Content-Type-Options": "nosniff",
    "X-Frame-Options": "DENY",
    "Referrer-Policy": "same-origin",
    "Cross-Origin-Opener-Policy": "same-origin",
    "Cross-Origin-Resource-Policy": "same-origin",
    "Permissions-Policy": "camera=(), microphone=(), geolocation=()",
}


class SecurityMiddleware:
    """Lets requests through to the addresses, or answers them itself."""

    def __init__(self, context: AppContext) -> None:
        self._context = context

    async def __call__(self, request: Request, call_next: Callable[[Request], Awaitable[Response]]) -> Response:
        response = await self._refusal(request) or await call_next(request)
        for name, value in SECURITY_HEADERS.items():
            response.headers.setdefault(name, value)
        response.headers.setdefault("Cache-Control", "no-store")
        if self._context.is_encrypted:
            response.headers["Strict-Transport-Security"] = "max-age=31536000"
        return response

    async def _refusal(self, request: Request) -> Response | None:
        if request.headers.get("host", "").casefold() not in self._context.allowed_hosts:
            return _told(400, "This page goes by another name.")
        path = request.url.path
        session = self._context.session(request.cookies.get(SESSION_COOKIE))
        if session is None and not path.startswith(PUBLIC_PATHS):
            if request.method == "GET" and "text/html" in request.headers.get("accept", ""):
                return RedirectResponse("/login", 303)
            return _told(401, "Come in first.")
        request.state.session = session
        if request.method in ("GET", "HEAD"):
            return None
        if request.method != "POST":
            return _told(405, "There is nothing to do that way.", {"Allow": "GET, HEAD, POST"})
        return self._foreign(request) or _unfit(request) or self._untold(request)

    def _foreign(self, request: Request) -> Response | None:
        origin = request.headers.get("origin")
        site = request.headers.get("sec-fetch-site", "same-origin")
        is_ours = origin is None or urlsplit(origin).netloc.casefold() in self._context.allowed_hosts
        return None if is_ours and site in ("same-origin", "none") else _told(403, "This came from another site.")

    def _untold(self, request: Request) -> Response | None:
        session = request.state.session
        if session is None or request.url.path == "/login":
            return None  # coming in, for which a person's own words are needed
        told = request.headers.get(CSRF_HEADER, "")
        if secrets.compare_digest(told.encode(), session.csrf_token.encode()):
            return None
        return _told(403, "This page is out of date. Load it again.")


def _unfit(request: Request) -> Response | None:
    if request.headers.get("content-type", "").split(";")[0].strip().casefold() != "application/json":
        return _told(415, "Only JSON is understood.")
    length = request.headers.get("content-length", "")
    if not length.isdecimal():
        return _told(411, "How long is it?")
    return _told(413, "This is too long.") if int(length) > MAXIMUM_BODY_BYTES else None


def _told(status: int, reason: str, headers: dict[str, str] | None = None) -> Response:
    return JSONResponse({"reason": reason}, status, headers)
