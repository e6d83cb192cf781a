"""Telling open pages that something arrived: server-sent events (WHATWG HTML, 9.2), one mark whenever it changes.

A page whose sign-in ends, or whose teacher is removed, hears that too, and nothing after it.
"""

from __future__ import annotations

import asyncio
from collections.abc import AsyncIterator

from fastapi import APIRouter
from fastapi.responses import StreamingResponse
from starlette.concurrency import run_in_threadpool

from service.records.news import mark_of
from service.records.tables import SignIn
from service.web.gate.guard import TheHouse, Visitor, has_ended
from service.web.house import House

router = APIRouter(prefix="/news")
LOOK_EVERY_S = 1.5
"""Between two looks at the records, s: our choice; a page is brought up to date within two seconds."""
QUIET_LOOKS = 10
"""Looks without news after which a word is sent anyway, so that nothing between here and the browser hangs up."""
LONGEST_S = 300.0
"""A browser asks anew after so long, s."""
SIGNED_OUT = "event: signed-out\ndata:\n\n"


@router.get("")
async def news(who: Visitor, parts: TheHouse) -> StreamingResponse:
    """Send the studio's mark now and whenever it changes."""
    return StreamingResponse(
        marks(parts, who.studio_id, who.sign_in_id), media_type="text/event-stream", headers={"X-Accel-Buffering": "no"}
    )


async def marks(parts: House, studio_id: str, sign_in_id: str) -> AsyncIterator[str]:
    """The events, until the sign-in ends, the service stops or `LONGEST_S` are over."""
    until = asyncio.get_running_loop().time() + LONGEST_S
    known, quiet = "", 0
    while asyncio.get_running_loop().time() < until and not parts.closing.is_set():
        mark = await run_in_threadpool(_mark, parts, studio_id, sign_in_id)
        if mark is None:
            yield SIGNED_OUT
            return
        quiet += 1
        if mark != known:
            known, quiet = mark, 0
            yield f"data: {mark}\n\n"
        elif quiet >= QUIET_LOOKS:
            quiet = 0
            yield ": still here\n\n"
        await asyncio.sleep(LOOK_EVERY_S)


def _mark(parts: House, studio_id: str, sign_in_id: str) -> str | None:
    """The studio's mark; None where its teacher is no longer signed in."""
    with parts.store.for_studio(studio_id) as records:
        sign_in = records.get(SignIn, sign_in_id)
        if sign_in is None or has_ended(sign_in, parts, parts.clock.now()):
            return None
        return mark_of(records, studio_id)
