"""The application: its routes and error handlers."""

from __future__ import annotations

from collections.abc import AsyncIterator
from contextlib import asynccontextmanager, closing
from importlib.resources import files
from pathlib import Path

from fastapi import FastAPI, Request
from fastapi.exceptions import RequestValidationError
from fastapi.responses import FileResponse, Response
from fastapi.staticfiles import StaticFiles
from starlette.middleware.base import BaseHTTPMiddleware

from models.errors import ClutchlightError
from pipeline.review.web.app_context import AppContext
from pipeline.review.web.exam_routes import exam_routes
from pipeline.review.web.login import login_routes
from pipeline.review.web.outcome_routes import outcome_routes
from pipeline.review.web.page_routes import page_routes
from pipeline.review.web.responses import error_response
from pipeline.review.web.security import SecurityMiddleware
from pipeline.review.web.signature_check import checked_signatures

__all__ = ["make_app"]

MAXIMUM_FAULTS = 20  # listed in one response


def make_app(context: AppContext) -> FastAPI:
    """The application for one output folder. It checks signed sheets when it starts, and closes the context."""

    @asynccontextmanager
    async def lifespan(app: FastAPI) -> AsyncIterator[None]:
        with closing(context), checked_signatures(context):
            yield

    # No generated pages about the interface: they load scripts from other sites.
    app = FastAPI(title="Clutchlight review", docs_url=None, redoc_url=None, lifespan=lifespan)
    app.add_middleware(BaseHTTPMiddleware, dispatch=SecurityMiddleware(context))
    app.include_router(login_routes(context))
    app.include_router(page_routes(context))
    app.include_router(exam_routes(context))
    app.include_router(outcome_routes(context))

    @app.get("/static/base.css", include_in_schema=False)
    def base_css() -> FileResponse:
        """The style sheet that the pages share with the sheets."""
        return FileResponse(str(files("pipeline.report") / "templates" / "base.css"))

    app.mount("/static", StaticFiles(directory=Path(__file__).parent / "static"))

    @app.exception_handler(ClutchlightError)
    def _on_known_error(request: Request, error: ClutchlightError) -> Response:
        return error_response(409, str(error))

    @app.exception_handler(RequestValidationError)
    def _on_invalid_request(request: Request, error: RequestValidationError) -> Response:
        # The input itself is left out: it may be anything.
        faults = [{"where": ".".join(map(str, fault["loc"])), "what": fault["msg"]} for fault in error.errors()]
        return error_response(422, "Invalid request.", faults=faults[:MAXIMUM_FAULTS])

    return app
