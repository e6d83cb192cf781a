"""How long the head of a request may take, so that senders who trickle it do not hold connections for ever.

The body has its own limit (`service.web.gate.arrival`); that begins where the head is whole.
"""

from __future__ import annotations

import asyncio

import h11
from uvicorn.protocols.http.h11_impl import H11Protocol

HEAD_S = 20.0
"""Longest time from the first byte of a head, or from connecting, to its last, s: our choice; on a slow phone it takes
one or two."""


class PromptHeads(H11Protocol):
    """HTTP/1.1 that hangs up on whoever does not finish a head in time."""

    head_s = HEAD_S

    def connection_made(self, transport: asyncio.Transport) -> None:  # type: ignore[override]
        """Begin to wait for the first head."""
        super().connection_made(transport)
        self._due: asyncio.TimerHandle | None = None
        self._look()

    def data_received(self, data: bytes) -> None:
        """Take what came, and go on waiting where a head is not whole."""
        super().data_received(data)
        self._look()

    def connection_lost(self, exc: Exception | None) -> None:
        """Stop waiting."""
        self._stop()
        super().connection_lost(exc)

    def _look(self) -> None:
        if self.conn.their_state is not h11.IDLE:
            self._stop()
        elif self._due is None:
            self._due = self.loop.call_later(self.head_s, self._hang_up)

    def _stop(self) -> None:
        if self._due is not None:
            self._due.cancel()
            self._due = None

    def _hang_up(self) -> None:
        if not self.transport.is_closing():
            self.transport.close()
