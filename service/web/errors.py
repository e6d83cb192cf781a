"""Answers to what goes wrong: problem details for programs, a page in plain words for people."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

from fastapi import FastAPI, Request
from fastapi.exceptions import RequestValidationError
from starlette.exceptions import HTTPException
from starlette.responses import Response

from service.api.problem_details import install_problem_details, refusal_response
from service.fit.errors import FitError
from service.measuring.admission import Busy
from service.web.forms.reading import written_at_length
from service.web.gate.guard import FactorNeeded, LinkClosed, LinkRanOut, OwnerNeeded, SignInNeeded, WrongForm
from service.web.gate.middleware import COME_AGAIN
from service.web.gate.refusals import because
from service.web.pages import go_to, page

Answer = Callable[[Request, Any], Any]


async def _sign_in_needed(request: Request, _: Exception) -> Response:
    if request.method == "GET":
        return go_to("/sign-in")
    return page(request, "error.html", 401, code=401, written=await written_at_length(request))


async def _owner_needed(request: Request, _: Exception) -> Response:
    because(request.scope["state"], "owners_only")
    return page(request, "owner_needed.html", 403)


async def _factor_needed(request: Request, _: Exception) -> Response:
    return go_to("/account", told="factor-needed")


async def _link_closed(request: Request, fault: Exception) -> Response:
    because(request.scope["state"], "link_closed")
    ended = fault.token if isinstance(fault, LinkRanOut) else None
    return page(request, "link_closed.html", 404, of_family=request.url.path.startswith("/f/"), ended=ended)


async def _wrong_form(request: Request, _: Exception) -> Response:
    because(request.scope["state"], "form_token")
    return page(request, "error.html", 403, code=403)


ON_PAGES = {
    SignInNeeded: _sign_in_needed,
    OwnerNeeded: _owner_needed,
    FactorNeeded: _factor_needed,
    LinkClosed: _link_closed,
    WrongForm: _wrong_form,
}
"""Answers to what only pages raise."""


def _refusal_of(error: Exception) -> HTTPException:
    """What pages and interface both raise, as pages show it."""
    if isinstance(error, HTTPException):
        return error
    if isinstance(error, Busy):
        return HTTPException(503, headers={"Retry-After": str(error.retry_after_s)})
    return HTTPException(404)  # an address with a part that is none


def answer_errors(app: FastAPI) -> None:
    """Answer errors: the interface with problem details, the pages with a page in plain words."""
    install_problem_details(app)
    for both in (HTTPException, RequestValidationError, Busy):
        app.add_exception_handler(both, _for_both(app.exception_handlers[both]))
    app.add_exception_handler(FitError, _unacceptable(app.exception_handlers[FitError]))
    for kind, answer in ON_PAGES.items():
        app.add_exception_handler(kind, answer)


def _for_both(for_programs: Answer) -> Answer:
    async def answer(request: Request, error: Exception) -> Response:
        if _is_interface(request):
            return await for_programs(request, error)  # type: ignore[no-any-return]
        return refused(request, _refusal_of(error))

    return answer


def _unacceptable(for_programs: Answer) -> Answer:
    async def answer(request: Request, error: FitError) -> Response:
        if _is_interface(request):
            return await for_programs(request, error)  # type: ignore[no-any-return]
        return page(request, "error.html", 422, code=422, why=error.sentence)

    return answer


def refused(request: Request, refusal: HTTPException) -> Response:
    """Say that something is refused, to whoever asked."""
    status = refusal.status_code
    answer: Response
    if _is_interface(request):
        answer = refusal_response(request, status, refusal.detail)
    else:
        answer = page(request, "error.html", status, code="full" if refusal.detail == COME_AGAIN else status)
    answer.headers.update(refusal.headers or {})
    return answer


def _is_interface(request: Request) -> bool:
    return request.url.path.startswith("/api/")
