"""How a request's body may arrive: how much, how fast, in which encoding, and how much of all requests at once.

Everything here is decided from the head of a request and by counting bytes, before any of the body is parsed: parsing
is work that a stranger asks for.  Text is UTF-8 and nothing else (RFC 8259 section 8.1; HTML's forms send what the page
is written in); decoders of other encodings take their time by the square of the length, or run code of their own.
"""

from __future__ import annotations

import asyncio
from collections.abc import Callable
from contextlib import suppress
from dataclasses import dataclass
from enum import Enum

from python_multipart.multipart import parse_options_header
from starlette.datastructures import Headers, MutableHeaders
from starlette.exceptions import HTTPException
from starlette.types import ASGIApp, Message, Receive, Scope, Send

from service.words.i18n import marked

TOO_LARGE = marked("This is larger than we accept.")
TOO_SLOW = marked("The photo did not arrive in time. Please try again, perhaps where the network is better.")
NOT_UTF8 = marked("Text is accepted in UTF-8 only.")
BUSY = marked("Many photos are arriving just now. Please try again in a moment.")

JSON_BYTES = 2 * 2**20
"""Largest body that is not a form: five thousand instruments with their lengths have half of it."""
FORM_BYTES = 128 * 2**10
"""Largest form without a file: the longest field is a chart of 8000 characters, each up to 12 bytes when escaped."""
LINGER_S = 5.0
"""How long the rest of what was refused is thrown away, s: our choice.  A connection that is closed while somebody
still sends is reset, and the answer lost with it (RFC 9112, section 9.6)."""
BUSY_FOR_S = 10
"""What a sender is asked to wait where too much arrives at once, s: about what one photo takes on a slow line."""


def address_of(scope: Scope) -> str:
    """Where a request comes from, by which strangers are counted; one name for all whose address is not known."""
    client = scope.get("client")
    return str(client[0]) if client else "unknown"


class Sender(Enum):
    """Who sends, as far as the head of the request tells."""

    KNOWN = "known"
    ANONYMOUS = "anonymous"


@dataclass
class Arriving:
    """Bytes of requests that are being received or answered, so that unfinished uploads cannot take the memory.

    Parameters
    ----------
    most_bytes : int
        Most for all senders together.
    anonymous_bytes : int
        Most for those whom nobody knows; the rest is left to families and teachers.
    """

    most_bytes: int
    anonymous_bytes: int
    anonymous: int = 0
    known: int = 0

    def take(self, sender: Sender, count: int) -> bool:
        """Count bytes that arrived; False where there is no room for them."""
        if self.anonymous + self.known + count > self.most_bytes:
            return False
        if sender is Sender.KNOWN:
            self.known += count
        elif self.anonymous + count > self.anonymous_bytes:
            return False
        else:
            self.anonymous += count
        return True

    def release(self, sender: Sender, count: int) -> None:
        """Give back what a request had taken."""
        if sender is Sender.KNOWN:
            self.known -= count
        else:
            self.anonymous -= count


@dataclass(frozen=True)
class ArrivalRules:
    """Bounds of a body.

    Attributes
    ----------
    most_bytes : int
        Largest form with photos.
    seconds : float
        Longest time from its first to its last byte.
    """

    most_bytes: int
    seconds: float


class ArrivalLimits:
    """Refuses a body that is too large, too slow, in a foreign encoding, or for which there is no room.

    Whoever is late is told so (408, RFC 9110 section 15.5.9) and the connection is closed; where there is no room, what
    still comes is thrown away for a moment, so that the sender hears the answer.

    Parameters
    ----------
    app : ASGI application
        What is protected.
    rules : ArrivalRules
        Bounds of one body.
    arriving : Arriving
        Bound of all bodies together.
    sender : callable
        Says from the head of a request who sends it.
    """

    def __init__(
        self, app: ASGIApp, rules: ArrivalRules, arriving: Arriving, sender: Callable[[Scope], Sender]
    ) -> None:
        self.app = app
        self.rules = rules
        self.arriving = arriving
        self.sender = sender

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Serve one request."""
        if scope["type"] != "http":
            await self.app(scope, receive, send)
            return
        if "\0" in scope["path"] or b"%00" in scope["query_string"]:
            raise HTTPException(404)  # no name holds a zero, and PostgreSQL takes none
        most_bytes = _most_bytes(Headers(scope=scope), self.rules.most_bytes)
        sender = self.sender(scope)
        complete, late, crowded, arrived = False, False, False, 0
        deadline = asyncio.get_running_loop().time() + self.rules.seconds

        async def receive_in_time() -> Message:
            nonlocal complete, late, crowded, arrived
            if complete:
                return await receive()
            left = deadline - asyncio.get_running_loop().time()
            try:
                message = await asyncio.wait_for(receive(), max(left, 0.001))
            except TimeoutError:
                late = True
                raise HTTPException(408, TOO_SLOW) from None
            count = len(message.get("body", b""))
            if arrived + count > most_bytes:
                raise HTTPException(413, TOO_LARGE)
            if not self.arriving.take(sender, count):
                late, crowded = True, message.get("more_body", False)
                raise HTTPException(503, BUSY, {"Retry-After": str(BUSY_FOR_S)})
            arrived += count
            complete = message["type"] == "http.disconnect" or not message.get("more_body", False)
            return message

        async def send_and_hang_up(message: Message) -> None:
            if late and message["type"] == "http.response.start":
                MutableHeaders(scope=message)["Connection"] = "close"  # or the sender could trickle on for ever
            if crowded and message["type"] == "http.response.body" and not message.get("more_body", False):
                await send({**message, "more_body": True})
                with suppress(TimeoutError):
                    await asyncio.wait_for(_thrown_away(receive), LINGER_S)
                message = {"type": "http.response.body", "body": b""}
            await send(message)

        try:
            await self.app(scope, receive_in_time, send_and_hang_up)
        finally:
            self.arriving.release(sender, arrived)


async def _thrown_away(receive: Receive) -> None:
    while (await receive()).get("more_body", False):
        pass


def _most_bytes(headers: Headers, with_photos: int) -> int:
    """Largest body for its kind.

    Raises
    ------
    HTTPException
        413 where it says to be larger, 415 where its text is not UTF-8.
    """
    kind, options = parse_options_header(headers.get("content-type", "").encode("latin-1"))
    charset = options.get(b"charset", b"utf-8").strip().lower()
    if charset not in (b"utf-8", b"utf8", b"us-ascii"):
        raise HTTPException(415, NOT_UTF8)
    if kind == b"multipart/form-data":
        most = with_photos
    else:
        most = FORM_BYTES if kind == b"application/x-www-form-urlencoded" else JSON_BYTES
    stated = headers.get("content-length", "0")
    if not (stated.isascii() and stated.isdecimal()) or len(stated) > 15 or int(stated) > most:
        raise HTTPException(413, TOO_LARGE)
    return most
