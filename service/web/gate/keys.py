"""Who may use the HTTP interface: whoever holds a studio's key; strangers only where the interface is open.

The key comes as a bearer token (RFC 6750) and is looked up before any of the request's body is read.  Open is the
interface by default only while the service listens to this machine alone and stands behind no proxy.
"""

from __future__ import annotations

from collections.abc import Callable
from functools import partial

from sqlalchemy import select
from starlette.concurrency import run_in_threadpool
from starlette.datastructures import Headers
from starlette.exceptions import HTTPException
from starlette.types import ASGIApp, Receive, Scope, Send

from service.api.callers import NEEDS_KEY, NOT_VALID, Caller, read_scopes
from service.api.problem_details import BUSY
from service.measuring.admission import Busy, Rank, pays
from service.records.tables import ApiKey
from service.security import digest
from service.settings import Settings
from service.web.gate.arrival import FORM_BYTES, address_of
from service.web.house import House
from service.words.i18n import marked

PREFIX = "/api/v1/"
FOR_EVERYBODY = {"openapi.json", "health", "ready", "sheet.pdf", "order-drawing.svg", "charts/default"}
"""Questions about nobody: how the interface is, and what is printed."""
DRAWN = {"sheet.pdf", "order-drawing.svg"}
"""Those of them that are work: within the limit of one address, key or no key."""
MEASURED = {"arm-measurements", "instrument-measurements", "verdicts"}
"""Questions that photos are sent with."""
TOO_MANY = marked("Too many requests. Please wait as long as Retry-After says.")
THIS_MACHINE = {"127.0.0.1", "::1", "localhost"}


def is_open(settings: Settings) -> bool:
    """Whether strangers may use the interface."""
    if settings.open_interface != "auto":
        return settings.open_interface == "on"
    return is_local(settings)


def is_local(settings: Settings) -> bool:
    """Whether the service listens to this machine alone and stands behind no proxy."""
    return settings.host in THIS_MACHINE and not settings.public_url and not settings.trusted_proxies


class KeysOfTheInterface:
    """Lets programs with a key in, and strangers where the interface is open, each within a limit.

    Parameters
    ----------
    app : ASGI application
        What is protected.
    house : callable
        The parts of the running service.
    """

    def __init__(self, app: ASGIApp, house: Callable[[], House]) -> None:
        self.app = app
        self.house = house

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Serve one request.

        Raises
        ------
        HTTPException
            401 without a valid key where one is needed, 429 where there are too many requests, 503 where photos come
            that nobody will measure soon: before they are read, which costs more than all the rest of a refusal.
        """
        path = scope["path"] if scope["type"] == "http" else ""
        if path.startswith(PREFIX) and path.removeprefix(PREFIX) not in FOR_EVERYBODY:
            await self._let_in(scope)
            if path.removeprefix(PREFIX) in MEASURED and _declared_bytes(scope) > FORM_BYTES:
                try:
                    self.house().admission.check_room(scope["state"].get("rank", Rank.STRANGER))
                except Busy as busy:
                    raise HTTPException(503, BUSY, {"Retry-After": str(busy.retry_after_s)}) from None
        elif path.removeprefix(PREFIX) in DRAWN:
            limiter, most = self.house().limiter, self.house().settings.interface_tries
            _in_time(await run_in_threadpool(limiter.late_s, "drawn", address_of(scope), most))
        await self.app(scope, receive, send)

    async def _let_in(self, scope: Scope) -> None:
        parts = self.house()
        scheme, _, token = Headers(scope=scope).get("authorization", "").partition(" ")
        state = scope.setdefault("state", {})
        if scheme.lower() == "bearer":
            caller = await run_in_threadpool(_caller, parts, token.strip())
            if caller is None:
                raise HTTPException(401, NOT_VALID, {"WWW-Authenticate": 'Bearer error="invalid_token"'})
            state["caller"], state["rank"], state["who"] = caller, Rank.SHOP, f"key {caller.key_id}"
            late = await run_in_threadpool(parts.limiter.late_s, "interface", caller.key_id, caller.a_minute)
        elif is_open(parts.settings):
            address = address_of(scope)
            late = await run_in_threadpool(parts.limiter.late_s, "interface", address, parts.settings.interface_tries)
            late = late or await run_in_threadpool(parts.limiter.work_late_s, address)
            pays.set(partial(parts.limiter.work_done, address))
        else:
            raise HTTPException(401, NEEDS_KEY, {"WWW-Authenticate": "Bearer"})
        _in_time(late)


def _declared_bytes(scope: Scope) -> int:
    """How large a body says that it is; what it says wrongly is refused where it is read."""
    declared = Headers(scope=scope).get("content-length", "")
    return int(declared) if declared.isascii() and declared.isdecimal() and len(declared) < 15 else 0


def _in_time(late_s: int | None) -> None:
    if late_s is not None:
        raise HTTPException(429, TOO_MANY, {"Retry-After": str(late_s)})


def _caller(parts: House, token: str) -> Caller | None:
    """Who shows a key; None for one that is unknown or revoked."""
    today = parts.clock.now().date()
    with parts.store.whole_house() as session:
        key = session.scalars(select(ApiKey).where(ApiKey.token_digest == digest(token))).one_or_none()
        if key is None or key.revoked_at is not None:
            return None
        if key.used_on is None or key.used_on < today:
            key.used_on = today
        return Caller(key.id, key.studio_id, key.a_minute, read_scopes(key.scopes))
