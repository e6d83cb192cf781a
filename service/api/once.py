"""A request sent twice is done once: idempotency keys, and the records that such a request writes into.

A program that did not hear the answer sends the same request again with the same ``Idempotency-Key`` and gets the
answer it missed (draft-ietf-httpapi-idempotency-key-header-07).  The answer is kept in the transaction that does what
was asked, so there is never one without the other; whoever sends the same key meanwhile waits at the database.  The
same key with another request is refused (422, section 2.7 there).  Only what succeeded is kept: whatever was refused
changed nothing and may be tried again.

A kept answer may hold the arm of an order, or a borrower's name, that are deleted before it is.  So it is sealed by
what only the request says: the studio's key, which the records know by its digest alone, and the idempotency key.
"""

from __future__ import annotations

from base64 import b64decode, b64encode
from collections.abc import Awaitable, Callable, Iterator
from contextlib import AbstractContextManager
from dataclasses import dataclass
from datetime import datetime, timedelta
from hashlib import sha256
from typing import Annotated, Any

from fastapi import Depends, Header, HTTPException, Request, Response
from fastapi.concurrency import contextmanager_in_threadpool
from fastapi.routing import APIRoute
from sqlalchemy import select
from sqlalchemy.exc import IntegrityError
from sqlalchemy.orm import Session
from starlette.concurrency import run_in_threadpool

from service.api.callers import NEEDS_KEY, Caller
from service.jobs.clock import Clock
from service.records.database import Store
from service.records.shop_tables import KeptAnswer
from service.security import Sealer, Secrets

KEPT_FOR = timedelta(hours=24)
"""How long an answer is kept for its key: our choice, longer than a night's outage."""
LONGEST_KEY = 255
"""Letters of a key; our choice, several times a UUID."""
OTHER_REQUEST = "This Idempotency-Key was used for another request."
LONG_KEY = f"An Idempotency-Key has 1 to {LONGEST_KEY} letters."


class _Taken(Exception):
    """Raised where the same key was used at the same moment."""


class _Refused(Exception):
    """Carries an answer out of a transaction that is not to be kept."""

    def __init__(self, answer: Response) -> None:
        self.answer = answer


@dataclass(frozen=True, slots=True)
class _Asked:
    """A request with an idempotency key.

    Attributes
    ----------
    mark : str
        By which its answer is found.
    question : str
        Tells it from another request with the same key.
    sealer : Sealer
        Seals its answer and opens it.
    """

    mark: str
    question: str
    sealer: Sealer

    @classmethod
    def of(cls, request: Request, body: bytes, who: Caller, key: str) -> _Asked:
        own = sha256(f"{request.headers['authorization'].partition(' ')[2].strip()}:{key}".encode()).digest()
        question = sha256(own + f"{request.method} {request.url.path}?{request.url.query}\n".encode() + body)
        mark = sha256(f"{who.key_id}:{key}".encode()).hexdigest()
        return cls(mark, question.hexdigest(), Sealer(Secrets(own), "kept answers"))


class OnceRoute(APIRoute):
    """A route whose POST is done once for each idempotency key."""

    def get_route_handler(self) -> Callable[[Request], Awaitable[Response]]:  # type: ignore[override]
        """Put the keeping of answers around the route."""
        answer = super().get_route_handler()

        async def once(request: Request) -> Response:
            key = request.headers.get("idempotency-key")
            who: Caller | None = getattr(request.state, "caller", None)
            if request.method != "POST" or key is None or who is None:
                return await answer(request)
            if not 1 <= len(key) <= LONGEST_KEY:
                raise HTTPException(422, LONG_KEY)
            return await _once(request, who, _Asked.of(request, await request.body(), who, key), answer)

        return once


async def _once(request: Request, who: Caller, asked: _Asked, answer: Callable[[Request], Any]) -> Response:
    store: Store = request.app.state.store
    now = request.app.state.clock.now()
    opened: Callable[[], AbstractContextManager[Session]] = lambda: store.for_studio(who.studio_id)  # noqa: E731
    try:
        async with contextmanager_in_threadpool(opened()) as records:
            kept = await run_in_threadpool(_claim, records, who.studio_id, asked, now)
            if isinstance(kept, Response):
                return kept
            request.state.records = records
            answered: Response = await answer(request)
            if answered.status_code >= 400:
                raise _Refused(answered)
            await run_in_threadpool(_keep, records, kept, asked, answered)
        return answered
    except _Refused as refused:
        return refused.answer
    except _Taken:
        async with contextmanager_in_threadpool(opened()) as records:
            kept = await run_in_threadpool(_claim, records, who.studio_id, asked, now)
        if not isinstance(kept, Response):
            raise HTTPException(409, "The same request is being answered; try again.", {"Retry-After": "1"}) from None
        return kept


def _claim(records: Session, studio_id: str, asked: _Asked, now: datetime) -> Response | KeptAnswer:
    """The answer that is kept for a key; or a row of its own for the one that is to come."""
    found = records.scalars(select(KeptAnswer).where(KeptAnswer.key_digest == asked.mark)).one_or_none()
    if found is not None and found.expires_at > now:
        body = asked.sealer.open(asked.mark, b64decode(found.body)) if found.question_digest == asked.question else None
        if body is None:
            raise HTTPException(422, OTHER_REQUEST)
        headers = {"Idempotency-Replayed": "true"} | ({"Location": found.location} if found.location else {})
        return Response(body, found.status, headers, "application/json")
    if found is not None:
        records.delete(found)
        records.flush()
    row = KeptAnswer(
        studio_id=studio_id,
        key_digest=asked.mark,
        question_digest=asked.question,
        status=0,
        location=None,
        body="",
        expires_at=now + KEPT_FOR,
    )
    records.add(row)
    try:
        records.flush()
    except IntegrityError:
        raise _Taken from None
    return row


def _keep(records: Session, row: KeptAnswer, asked: _Asked, answered: Response) -> None:
    row.status, row.location = answered.status_code, answered.headers.get("location")
    row.body = b64encode(asked.sealer.seal(asked.mark, bytes(answered.body))).decode()
    records.flush()


def described(
    idempotency_key: Annotated[
        str | None,
        Header(description="Chosen by you: the same request sent again with it is done once and answered alike."),
    ] = None,
) -> None:
    """Put the header into the interface's description; `OnceRoute` reads it."""


ONCE = Depends(described)


def its_records(request: Request) -> Iterator[Session]:
    """Open the records of the studio whose key was shown: those of the whole request where it is done once.

    Raises
    ------
    HTTPException
        401 without a key.
    """
    who: Caller | None = getattr(request.state, "caller", None)
    if who is None:
        raise HTTPException(401, NEEDS_KEY, {"WWW-Authenticate": "Bearer"})
    joined: Session | None = getattr(request.state, "records", None)
    if joined is not None:
        yield joined
        return
    store: Store = request.app.state.store
    with store.for_studio(who.studio_id) as records:
        yield records


def the_clock(request: Request) -> Clock:
    """Give a route what tells the time."""
    clock: Clock = request.app.state.clock
    return clock


Records = Annotated[Session, Depends(its_records, scope="function")]
TheClock = Annotated[Clock, Depends(the_clock)]
