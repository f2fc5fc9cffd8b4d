"""JSON responses of the server: documents, and errors that all have the same form."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from fastapi.responses import JSONResponse, Response
from pydantic import BaseModel

from pipeline.language.stored_text import stored_text

__all__ = ["ErrorDocument", "document_response", "error_response", "error_responses"]


class ErrorDocument(BaseModel):
    """Why a request was not carried out, in a sentence for the user. Some errors have further keys."""

    reason: str


def error_response(
    status: int, reason: str, *, headers: Mapping[str, str] | None = None, **details: Any
) -> JSONResponse:
    """reason : in English, as errors are; it is sent in the language of the pages

    details : further keys of the error document, JSON values
    """
    return JSONResponse({**ErrorDocument(reason=stored_text(reason)).model_dump(), **details}, status, headers)


def document_response(document: BaseModel, headers: Mapping[str, str] | None = None) -> Response:
    return Response(document.model_dump_json(), headers=headers, media_type="application/json")


def error_responses(*statuses: int) -> dict[int | str, dict[str, Any]]:
    """The errors of a route, for the description of the interface."""
    return {status: {"model": ErrorDocument} for status in statuses}
