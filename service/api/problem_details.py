"""Errors of the HTTP interface as RFC 9457 problem details."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from fastapi import FastAPI, Request
from fastapi.exceptions import RequestValidationError
from fastapi.responses import JSONResponse
from pydantic import BaseModel, ConfigDict
from starlette.exceptions import HTTPException

from service.fit.errors import FitError
from service.fit.sentences import Sentence
from service.measuring.admission import Busy
from service.questions.asked import reason_of
from service.words.i18n import marked, negotiate_language, translator

BUSY = marked("Many photos are waiting just now. Please try again after the time that Retry-After gives.")
MOST_FAULTS = 20
"""Faults that are named in one answer; thousands of them would only cost time."""
FORMS = ("multipart/form-data", "application/x-www-form-urlencoded")
MEDIA_TYPE = "application/problem+json"


class ProblemDetails(BaseModel):
    """Body of every error (RFC 9457, section 3.1)."""

    model_config = ConfigDict(
        extra="allow",
        json_schema_extra={
            "examples": [{"type": "about:blank", "title": "Unprocessable Content", "status": 422, "detail": "..."}]
        },
    )

    type: str = "about:blank"
    title: str
    status: int
    detail: str


RESPONSES: dict[int | str, dict[str, Any]] = {
    code: {"model": ProblemDetails, "content": {MEDIA_TYPE: {}}, "description": description}
    for code, description in {
        400: "The request cannot be understood.",
        401: "A key is needed, or the one that was sent is not valid.",
        403: "The key does not allow this.",
        408: "The request did not arrive in time.",
        413: "A file is larger than is accepted.",
        415: "Text that is not in UTF-8.",
        422: "A number or a choice is not acceptable; the detail says which and why.",
        429: "Too many requests; Retry-After says how long to wait.",
        503: "Busy; Retry-After says for how long.",
    }.items()
}
"""The errors a measuring route may answer with, for the OpenAPI description."""
NOT_THERE: dict[int | str, dict[str, Any]] = {404: {"model": ProblemDetails, "description": "There is none such."}}
"""What a route about one thing of the studio's may answer besides."""


def problem_response(status: int, detail: str, **more: Any) -> JSONResponse:
    """Build an answer that carries problem details."""
    from http import HTTPStatus

    body = {"type": "about:blank", "title": HTTPStatus(status).phrase, "status": status, "detail": detail} | more
    return JSONResponse(body, status_code=status, media_type=MEDIA_TYPE)


def refusal_response(request: Request, status: int, detail: str) -> JSONResponse:
    """Build the answer to a request that is refused before its question is read, in the language that is preferred.

    What only a program gets wrong is not in the catalogue, and stays English.
    """
    return problem_response(status, translator(_language(request, None))(detail))


def install_problem_details(app: FastAPI) -> None:
    """Make `app` answer every error with problem details; nothing of a photo or a traceback leaves it."""

    @app.exception_handler(HTTPException)
    async def http_error(request: Request, error: HTTPException) -> JSONResponse:
        response = refusal_response(request, error.status_code, str(error.detail))
        response.headers.update(error.headers or {})
        return response

    @app.exception_handler(RequestValidationError)
    async def invalid(request: Request, error: RequestValidationError) -> JSONResponse:
        language = _language(request, error.body)
        faults = [
            {"where": ".".join(str(part) for part in each["loc"]), "message": _text(reason_of(each), language)}
            for each in error.errors()[:MOST_FAULTS]
        ]
        detail = "; ".join(f"{each['where']}: {each['message']}" for each in faults)
        return problem_response(422, detail, errors=faults)

    @app.exception_handler(FitError)
    async def unacceptable(request: Request, error: FitError) -> JSONResponse:
        return problem_response(422, _text(error.sentence, _language(request, await _said(request))))

    @app.exception_handler(Busy)
    async def busy(request: Request, error: Busy) -> JSONResponse:
        response = refusal_response(request, 503, BUSY)
        response.headers["Retry-After"] = str(error.retry_after_s)
        return response


async def _said(request: Request) -> object:
    """The body that a question came in; it was read already, since the question was answered."""
    kind = request.headers.get("content-type", "")
    if kind.startswith("application/json"):
        return await request.json()
    return await request.form() if kind.startswith(FORMS) else None


def _language(request: Request, said: object) -> str:
    """The language that a question asks for, else the one that whoever sent it prefers."""
    asked = (said.get("language") if isinstance(said, Mapping) else None) or request.query_params.get("language")
    return negotiate_language(asked if isinstance(asked, str) else request.headers.get("accept-language"))


def _text(said: Sentence | str, language: str) -> str:
    return said if isinstance(said, str) else said.text(translator(language), language)
