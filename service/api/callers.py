"""Which program asks, and what its key allows.

Every route declares the scope it needs by `needs` or by taking `Member` made of it; here, and nowhere else, the key's
scopes are compared with it.  The key itself was read before the request's body was (`service.web.gate.keys`).
"""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum
from typing import Annotated, Any

from fastapi import HTTPException, Request, Security
from fastapi.security import HTTPAuthorizationCredentials, HTTPBearer, SecurityScopes

from service.words.i18n import marked

NEEDS_KEY = marked("This needs a key: ask the studio for one and send it as Authorization: Bearer KEY.")
NOT_VALID = marked("This key is not valid: it was revoked, or is not complete. Ask the studio for another one.")


class Scope(StrEnum):
    """What a key may allow."""

    MEASURE = "measure"
    DECIDE = "decide"
    SHELF_READ = "shelf:read"
    SHELF_WRITE = "shelf:write"
    ORDERS = "orders"
    WEBHOOKS = "webhooks"


FIRST_SCOPES = (Scope.MEASURE, Scope.DECIDE)
"""What a key allows for which nothing else is said: questions that leave nothing behind."""


def read_scopes(kept: str) -> frozenset[Scope]:
    """Scopes as a key's row holds them, with spaces between."""
    return frozenset(Scope(each) for each in kept.split())


@dataclass(frozen=True)
class Caller:
    """A program that showed a key."""

    key_id: str
    studio_id: str
    a_minute: int
    scopes: frozenset[Scope]


_key = HTTPBearer(auto_error=False, scheme_name="key", description="A key that the studio made for a program.")
Shown = Annotated[HTTPAuthorizationCredentials | None, Security(_key)]


async def caller(request: Request, wanted: SecurityScopes, _: Shown) -> Caller | None:
    """Whoever showed a key; None for a stranger, whom the gate lets in where the interface is open.

    Raises
    ------
    HTTPException
        403 where the key does not allow what the route needs (RFC 6750, section 3.1).
    """
    who: Caller | None = getattr(request.state, "caller", None)
    missing = [] if who is None else [each for each in wanted.scopes if each not in who.scopes]
    if missing:
        said = ", ".join(missing)
        challenge = f'Bearer error="insufficient_scope", scope="{" ".join(wanted.scopes)}"'
        raise HTTPException(403, f"This key does not allow: {said}.", {"WWW-Authenticate": challenge})
    return who


async def member(who: Annotated[Caller | None, Security(caller)]) -> Caller:
    """Whoever showed a key, where strangers have nothing to look for.

    Raises
    ------
    HTTPException
        401 without a key.
    """
    if who is None:
        raise HTTPException(401, NEEDS_KEY, {"WWW-Authenticate": "Bearer"})
    return who


def caller_of(request: Request) -> Caller:
    """Whoever showed a key, on a route that declared `needs_member`."""
    who: Caller = request.state.caller
    return who


def needs(scope: Scope) -> Any:
    """Dependency of a route that strangers may use too where the interface is open."""
    return Security(caller, scopes=[scope.value])


def needs_member(scope: Scope) -> Any:
    """Dependency of a route that belongs to a studio."""
    return Security(member, scopes=[scope.value])
