"""Telling open pages that something arrived: server-sent events (WHATWG HTML, 9.2), one mark whenever it changes."""

from __future__ import annotations

import asyncio
from collections.abc import AsyncIterator

from fastapi import APIRouter
from fastapi.responses import StreamingResponse
from starlette.concurrency import run_in_threadpool

from service.records.news import mark_of
from service.web.gate.guard import TheHouse, Visitor
from service.web.house import House

router = APIRouter(prefix="/news")
LOOK_EVERY_S = 1.5
"""Between two looks at the records, s: our choice; a page is brought up to date within two seconds."""
QUIET_LOOKS = 10
"""Looks without news after which a word is sent anyway, so that nothing between here and the browser hangs up."""
LONGEST_S = 300.0
"""A browser asks anew after so long, s; then whoever was signed out meanwhile hears no more."""


@router.get("")
async def news(who: Visitor, parts: TheHouse) -> StreamingResponse:
    """Send the studio's mark now and whenever it changes."""
    return StreamingResponse(
        marks(parts, who.studio_id), media_type="text/event-stream", headers={"X-Accel-Buffering": "no"}
    )


async def marks(parts: House, studio_id: str) -> AsyncIterator[str]:
    """The events, until the service stops or `LONGEST_S` are over."""
    until = asyncio.get_running_loop().time() + LONGEST_S
    known, quiet = "", 0
    while asyncio.get_running_loop().time() < until and not parts.closing.is_set():
        mark = await run_in_threadpool(_mark, parts, studio_id)
        quiet += 1
        if mark != known:
            known, quiet = mark, 0
            yield f"data: {mark}\n\n"
        elif quiet >= QUIET_LOOKS:
            quiet = 0
            yield ": still here\n\n"
        await asyncio.sleep(LOOK_EVERY_S)


def _mark(parts: House, studio_id: str) -> str:
    with parts.store.for_studio(studio_id) as records:
        return mark_of(records, studio_id)
