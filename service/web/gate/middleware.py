"""What is checked before any page is reached and added to every answer: origin, failures in plain words, headers.

A form posted from another site is refused by the browser's own word (``Sec-Fetch-Site``, else ``Origin``: the Fetch
standard), before cookies are even looked at; forms of signed-in teachers carry a token besides
(`service.web.gate.guard`).
"""

from __future__ import annotations

import errno
from collections.abc import Callable
from urllib.parse import urlsplit

from sqlalchemy.exc import OperationalError
from starlette.datastructures import Headers, MutableHeaders
from starlette.exceptions import HTTPException
from starlette.requests import Request
from starlette.responses import PlainTextResponse, Response
from starlette.types import ASGIApp, Message, Receive, Scope, Send

from service.logs import note_failure
from service.security import PAGE_HEADERS
from service.web.gate.refusals import because
from service.web.language import marked, page_language, translator

SAFE_METHODS = {"GET", "HEAD", "OPTIONS"}
COME_AGAIN = marked("The service cannot keep anything just now. Please try again in a moment.")
COME_AGAIN_S = 15  # our choice: a full disk is noticed and mended, if at all, in minutes
PASSING = {errno.ENOSPC, errno.EDQUOT, errno.EAGAIN, errno.EMFILE, errno.ENFILE}
WENT_WRONG = marked("Something went wrong on our side. Please try again.")
FOREIGN_FORM = marked("This form was sent from another site.")
STATIC_CACHE = "public, max-age=3600"


class SafeHeaders:
    """Adds the security headers to every answer and keeps private pages out of caches."""

    def __init__(self, app: ASGIApp, secure: bool) -> None:
        self.app = app
        self.secure = secure

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Serve one request."""
        if scope["type"] != "http":
            await self.app(scope, receive, send)
            return

        async def send_with_headers(message: Message) -> None:
            if message["type"] == "http.response.start":
                headers = MutableHeaders(scope=message)
                for name, value in PAGE_HEADERS.items():
                    headers.setdefault(name, value)
                static = scope["path"].startswith("/static/")
                headers.setdefault("Cache-Control", STATIC_CACHE if static else "no-store")
                if self.secure:
                    headers.setdefault("Strict-Transport-Security", "max-age=31536000")
            await send(message)

        await self.app(scope, receive, send_with_headers)


class PlainFailures:
    """Answers an unforeseen error in plain words and notes its kind and place, never its text.

    The text of an error can quote what somebody sent, and a log is kept longer than a photo.
    """

    def __init__(self, app: ASGIApp, answer: Callable[[Request, HTTPException], Response]) -> None:
        self.app = app
        self.answer = answer

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Serve one request."""
        started = False

        async def send_noted(message: Message) -> None:
            nonlocal started
            started = True
            await send(message)

        try:
            await self.app(scope, receive, send_noted)
        except HTTPException as refusal:
            await self.answer(Request(scope), refusal)(scope, receive, send)
        except Exception as error:
            if scope["type"] != "http":
                raise
            note_failure("a request failed", error)
            if not started:
                await self.answer(Request(scope), _refusal(error))(scope, receive, send)


def _refusal(error: Exception) -> HTTPException:
    """A locked database or a full disk passes: whoever asks is told to come again."""
    if isinstance(error, OperationalError) or (isinstance(error, OSError) and error.errno in PASSING):
        return HTTPException(503, COME_AGAIN, {"Retry-After": str(COME_AGAIN_S)})
    return HTTPException(500, WENT_WRONG)


class SameOriginForms:
    """Refuses whatever changes something and comes from another site."""

    def __init__(self, app: ASGIApp) -> None:
        self.app = app

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Serve one request."""
        if scope["type"] == "http" and scope["method"] not in SAFE_METHODS and not _same_origin(Headers(scope=scope)):
            because(scope.setdefault("state", {}), "foreign_origin")
            words = translator(page_language(Request(scope)))(FOREIGN_FORM)
            await PlainTextResponse(words, 403)(scope, receive, send)
            return
        await self.app(scope, receive, send)


def _same_origin(headers: Headers) -> bool:
    site = headers.get("sec-fetch-site")
    if site is not None:
        return site in ("same-origin", "none")
    origin = headers.get("origin")
    try:
        return origin is None or urlsplit(origin).netloc == headers.get("host")
    except ValueError:  # no address at all
        return False
