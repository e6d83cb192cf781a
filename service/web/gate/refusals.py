"""Who was refused what: noted in the log, by identities alone, so that whoever runs the service sees an attack.

Every refusal passes here, whichever part made it, so that no new page can forget to note its own.  A mistake looks like
an attack, and the other way round: one line says little, many of one kind do.
"""

from __future__ import annotations

import time
from collections.abc import Callable
from typing import Any

from starlette.types import ASGIApp, Message, Receive, Scope, Send

from service.logs import note_left_out, note_refusal

WHY = {
    401: "not_let_in",
    403: "not_allowed",
    404: "not_theirs",
    408: "too_slow",
    413: "too_large",
    415: "not_utf8",
    429: "too_many",
}
"""Answers that refuse somebody, and why, where the part that refused says nothing more exact."""
MOST_A_MINUTE = 120
"""Refusals that are noted one by one; of more only the number, so that nobody fills the disk: our choice."""


def because(scope_state: dict[str, Any], why: str) -> None:
    """Say why a request is refused; `NoteRefusals` notes it with the answer."""
    scope_state["refused"] = why


class NoteRefusals:
    """Notes every refusal.

    Parameters
    ----------
    app : ASGI application
    room : callable
        Which part of the service an address belongs to.
    now : callable
        What tells the time, s.
    """

    def __init__(self, app: ASGIApp, room: Callable[[str], str], now: Callable[[], float] = time.monotonic) -> None:
        self.app, self.room, self.now = app, room, now
        self._minute, self._noted = 0, 0

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Serve one request."""
        if scope["type"] != "http":
            await self.app(scope, receive, send)
            return
        state: dict[str, Any] = scope.setdefault("state", {})
        room = self.room(scope["path"])

        async def send_noted(message: Message) -> None:
            if message["type"] == "http.response.start":
                self._note(message["status"], room, state)
            await send(message)

        await self.app(scope, receive, send_noted)

    def _note(self, status: int, room: str, state: dict[str, Any]) -> None:
        why, who = state.get("refused", ""), state.get("who", "")
        if status not in WHY or (status == 404 and not (why or who)):  # strangers ask for whatever comes to mind
            return
        minute = int(self.now() // 60)
        if minute != self._minute:
            if self._noted > MOST_A_MINUTE:
                note_left_out(self._noted - MOST_A_MINUTE)
            self._minute, self._noted = minute, 0
        self._noted += 1
        if self._noted <= MOST_A_MINUTE:
            note_refusal(why or WHY[status], room, status, who)
