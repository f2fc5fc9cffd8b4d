"""Checks of every request, and security headers of every response.

Other sites cannot act in a user's name. The Host header must be one of ours (against DNS rebinding). A request that
changes something must come from our own page, be JSON, and carry a token that only our pages know (against CSRF). The
session cookie is not sent from other sites' pages. Our pages run only our own scripts and styles, none of them inline.
"""

from __future__ import annotations

import re
import secrets
from collections.abc import Awaitable, Callable
from urllib.parse import quote, urlsplit

from starlette.requests import Request
from starlette.responses import RedirectResponse, Response

from pipeline.language.translation import gettext
from pipeline.review.web.app_context import AppContext
from pipeline.review.web.rendering import render_page
from pipeline.review.web.responses import error_response

__all__ = ["CSRF_HEADER", "MAXIMUM_BODY_BYTES", "SESSION_COOKIE", "SecurityMiddleware"]

SESSION_COOKIE = "clutchlight"
CSRF_HEADER = "x-clutchlight-token"
MAXIMUM_BODY_BYTES = 256 * 1024
END_CONNECTION = {"Connection": "close"}
HOST_NAME = re.compile(r"[A-Za-z0-9]([A-Za-z0-9.-]{0,98}[A-Za-z0-9])?")
PUBLIC_PATHS = ("/login", "/static/")  # served without a session

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
    """Passes allowed requests on to the routes and answers all others with an error."""

    def __init__(self, context: AppContext) -> None:
        self._context = context

    async def __call__(self, request: Request, call_next: Callable[[Request], Awaitable[Response]]) -> Response:
        with self._context.cases.settings.pages.style():
            response = self._reject(request) or await call_next(request)
        for name, value in SECURITY_HEADERS.items():
            response.headers.setdefault(name, value)
        response.headers.setdefault("Cache-Control", "no-store")
        if self._context.is_encrypted:
            response.headers["Strict-Transport-Security"] = "max-age=31536000"
        return response

    def _reject(self, request: Request) -> Response | None:
        """The error if the request is not allowed, else None."""
        too_large = _check_size(request)
        if too_large is not None:
            return too_large
        host = request.headers.get("host", "").casefold()
        if host not in self._context.allowed_hosts and not request.url.path.startswith("/static/"):
            return _unknown_host(request)
        if self._context.is_encrypted and request.url.scheme != "https":
            return error_response(403, "Use HTTPS. If you do, the proxy must send X-Forwarded-Proto.")
        path = request.url.path
        session = self._context.session(request.cookies.get(SESSION_COOKIE))
        if session is None and not path.startswith(PUBLIC_PATHS):
            if _wants_page(request):
                asked = path + (f"?{request.url.query}" if request.url.query else "")
                return RedirectResponse("/login" if asked == "/" else f"/login?next={quote(asked, safe='/')}", 303)
            return error_response(401, "Please log in.")
        request.state.session = session
        if request.method in ("GET", "HEAD"):
            return None
        if request.method != "POST":
            return error_response(405, "Method not allowed.", headers={"Allow": "GET, HEAD, POST"})
        return self._check_origin(request) or _check_body(request) or self._check_csrf_token(request)

    def _check_origin(self, request: Request) -> Response | None:
        origin = request.headers.get("origin")
        site = request.headers.get("sec-fetch-site", "same-origin")
        is_ours = origin is None or urlsplit(origin).netloc.casefold() in self._context.allowed_hosts
        if is_ours and site in ("same-origin", "none"):
            return None
        return error_response(403, "This request came from another site.")

    def _check_csrf_token(self, request: Request) -> Response | None:
        session = request.state.session
        if session is None or request.url.path in ("/login", "/login/names"):
            return None  # logging in needs the user's own input, so there is nothing to forge
        token = request.headers.get(CSRF_HEADER, "")
        if secrets.compare_digest(token.encode(), session.csrf_token.encode()):
            return None
        return error_response(403, "This page is out of date. Reload it.")


def _wants_page(request: Request) -> bool:
    return request.method == "GET" and "text/html" in request.headers.get("accept", "")


def _unknown_host(request: Request) -> Response:
    """A page for a person, who typed or was given an address that the server does not know as its own."""
    name = request.headers.get("host", "").rpartition(":")[0] or request.headers.get("host", "")
    option = f"--hostname {name}" if HOST_NAME.fullmatch(name) else "--hostname NAME"
    reason = f"This server does not know this name as its own. Whoever runs it can add it: start it with {option}."
    if not _wants_page(request):
        return error_response(400, reason)
    return render_page("error.html.j2", 400, heading=gettext("Unknown address"), reason=reason)


def _check_size(request: Request) -> Response | None:
    """An error that also ends the connection if the body has no declared size or a large one.

    Otherwise the server would go on receiving a body that nobody reads. A smaller one is received or discarded.
    """
    if "transfer-encoding" in request.headers:  # it has precedence over Content-Length (RFC 9112, section 6.3)
        return error_response(411, "Content-Length is required.", headers=END_CONNECTION)
    length = request.headers.get("content-length", "0")
    if not length.isdecimal():
        return error_response(411, "Content-Length must be a number.", headers=END_CONNECTION)
    # Compared by its digits first: Python refuses to read very long numbers.
    if len(length) > len(str(MAXIMUM_BODY_BYTES)) or int(length) > MAXIMUM_BODY_BYTES:
        reason = f"The request is too large: more than {MAXIMUM_BODY_BYTES // 1024} KiB."
        return error_response(413, reason, headers=END_CONNECTION)
    return None


def _check_body(request: Request) -> Response | None:
    if request.headers.get("content-type", "").split(";")[0].strip().casefold() != "application/json":
        return error_response(415, "Content-Type must be application/json.")
    if "content-length" not in request.headers:
        return error_response(411, "Content-Length is required.")
    return None
