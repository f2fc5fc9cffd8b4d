"""The server: its addresses, put together from their groups."""

from __future__ import annotations

from collections.abc import AsyncIterator
from contextlib import asynccontextmanager
from importlib.resources import files
from pathlib import Path

from fastapi import FastAPI, Request
from fastapi.exceptions import RequestValidationError
from fastapi.responses import FileResponse, JSONResponse
from fastapi.staticfiles import StaticFiles
from starlette.middleware.base import BaseHTTPMiddleware

from models.errors import ClutchlightError
from pipeline.review.web.app_context import AppContext
from pipeline.review.web.exam_routes import exam_routes
from pipeline.review.web.login import login_routes
from pipeline.review.web.page_routes import page_routes
from pipeline.review.web.security import SecurityMiddleware

__all__ = ["make_app"]


def make_app(context: AppContext) -> FastAPI:
    """The application over one output folder; it closes the context when it ends."""

    @asynccontextmanager
    async def lifespan(app: FastAPI) -> AsyncIterator[None]:
        yield
        context.close()

    # No pages about the interface: they would ask other sites for their scripts.
    app = FastAPI(title="Clutchlight review", docs_url=None, redoc_url=None, lifespan=lifespan)
    app.add_middleware(BaseHTTPMiddleware, dispatch=SecurityMiddleware(context))
    app.include_router(login_routes(context))
    app.include_router(page_routes(context))
    app.include_router(exam_routes(context))

    @app.get("/static/base.css", include_in_schema=False)
    def paper() -> FileResponse:
        """The look of the sheets, which the pages share."""
        return FileResponse(str(files("pipeline.report") / "templates" / "base.css"))

    app.mount("/static", StaticFiles(directory=Path(__file__).parent / "static"))

    @app.exception_handler(ClutchlightError)
    def _told(request: Request, error: ClutchlightError) -> JSONResponse:
        return JSONResponse({"reason": str(error)}, 409)

    @app.exception_handler(RequestValidationError)
    def _misunderstood(request: Request, error: RequestValidationError) -> JSONResponse:
        # Without the input itself, which may be anything.
        faults = [{"where": ".".join(map(str, fault["loc"])), "what": fault["msg"]} for fault in error.errors()]
        return JSONResponse({"reason": "This was not understood.", "faults": faults[:20]}, 422)

    return app
