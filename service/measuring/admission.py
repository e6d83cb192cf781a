"""Who is measured when: families and teachers first, shops with a key next, strangers last and few.

Measuring is the one thing here that takes time, and there are as many places for it as worker processes.  Whoever finds
none free waits in order of rank, then of coming.  While families or teachers are about, nobody else takes the last
place, so that a family need not wait for what a stranger sent; and others wait in a short line: when it is full they
are told at once, and for how long.  Whoever better ranks keep from ever being called is told after a while: a program
that hears nothing hangs up.
"""

from __future__ import annotations

import asyncio
import heapq
import itertools
import time
from collections.abc import AsyncIterator, Callable, Sequence
from contextlib import asynccontextmanager
from contextvars import ContextVar
from enum import IntEnum
from math import ceil
from typing import TYPE_CHECKING

from service.measuring.outcome import ArmQuestion, InstrumentQuestion, Outcome, Question
from service.measuring.pool import Measurer

if TYPE_CHECKING:
    from service.measuring.looking import Moved

FIRST_GUESS_S = 1.0
"""How long a photo is taken to last before any was measured, s: three times the medians in README, on the safe side."""
QUIET_S = 60.0
"""Where no family or teacher came for so long, s, others may take every place: our choice."""
LEARNING = 0.1
"""Weight of the latest photo in the mean time of one: our choice, about the last twenty count."""


class Rank(IntEnum):
    """Who asks; the lower goes first."""

    KNOWN = 0
    SHOP = 1
    STRANGER = 2


WAITING_PER_PLACE = {Rank.KNOWN: 200, Rank.SHOP: 16, Rank.STRANGER: 2}
"""How many may wait for each place there is: our choice; at a second a photo three minutes, 16 s and 2 s."""

LONGEST_WAIT_S = {Rank.SHOP: 60.0, Rank.STRANGER: 30.0}
"""How long one may wait to be called, s: our choice, below what programs wait for an answer.  A shop's full line takes
some 30 s; strangers may never be called while shops keep every place that is not a family's."""
PHOTOS_OF_ONE = 9
"""Photos of one question at most: eight of a child, and those of an instrument, which go together.  However short the
line, whoever comes to an empty one is measured."""


pays: ContextVar[Callable[[float], None] | None] = ContextVar("pays", default=None)
"""Who is told how long the work took that this request asked for, s; not how long it waited."""


class Busy(Exception):
    """Raised where the line is full.

    Parameters
    ----------
    retry_after_s : int
        When there should be room again, as far as one can tell.
    """

    def __init__(self, retry_after_s: int) -> None:
        super().__init__(f"busy for about {retry_after_s} s")
        self.retry_after_s = retry_after_s


class Admission:
    """Places for measuring, and the line before them.

    Parameters
    ----------
    places : int
        Worker processes.
    """

    def __init__(self, places: int) -> None:
        self.places = places
        self._running = dict.fromkeys(Rank, 0)
        self._waiting = dict.fromkeys(Rank, 0)
        self._line: list[tuple[Rank, int, asyncio.Future[None]]] = []
        self._order = itertools.count()
        self._known_came = -QUIET_S
        self.mean_s = FIRST_GUESS_S

    def waiting(self, rank: Rank) -> int:
        """How many of a rank wait."""
        return self._waiting[rank]

    def running(self) -> int:
        """How many are being measured."""
        return sum(self._running.values())

    def check_room(self, rank: Rank) -> None:
        """Whether another one may come.

        Raises
        ------
        Busy
            If as many of the rank wait already as may.
        """
        if not self._may_run(rank) and self._waiting[rank] >= self._longest_line(rank):
            raise Busy(self.wait_s(rank))

    def _longest_line(self, rank: Rank) -> int:
        return max(WAITING_PER_PLACE[rank] * self.places, PHOTOS_OF_ONE)

    def wait_s(self, rank: Rank) -> int:
        """Seconds until whoever comes now would be measured, rounded up."""
        ahead = self.running() + sum(count for other, count in self._waiting.items() if other <= rank)
        return max(1, ceil(ahead * self.mean_s / (self.places if rank is Rank.KNOWN else self._for_others)))

    @asynccontextmanager
    async def place(self, rank: Rank) -> AsyncIterator[None]:
        """Wait for a place and hold it; known ones wait however long the line is, since their photo is kept.

        Raises
        ------
        Busy
            If the line of a lower rank is full, or it was waited in for too long.
        """
        if rank is Rank.KNOWN:
            self._known_came = time.monotonic()
        else:
            self.check_room(rank)
        if not self._may_run(rank) or any(waiting <= rank for waiting, _, _ in self._line):
            await self._wait(rank)
        else:
            self._running[rank] += 1
        begun = asyncio.get_running_loop().time()
        try:
            yield
        finally:
            taken_s = asyncio.get_running_loop().time() - begun
            self.mean_s += LEARNING * (taken_s - self.mean_s)
            payer = pays.get()
            if payer is not None:  # it may write to a database: not on the loop
                asyncio.get_running_loop().run_in_executor(None, payer, taken_s)
            self._running[rank] -= 1
            self._call_next()

    async def _wait(self, rank: Rank) -> None:
        called: asyncio.Future[None] = asyncio.get_running_loop().create_future()
        heapq.heappush(self._line, (rank, next(self._order), called))
        self._waiting[rank] += 1
        self._call_next()
        try:
            async with asyncio.timeout(LONGEST_WAIT_S.get(rank)):
                await called
        except TimeoutError:
            self._leave(rank, called)
            raise Busy(self.wait_s(rank)) from None
        except asyncio.CancelledError:
            self._leave(rank, called)
            raise
        finally:
            self._waiting[rank] -= 1

    def _leave(self, rank: Rank, called: asyncio.Future[None]) -> None:
        """Leave the line without a photo measured, or the place that one was called to in the same moment."""
        if called.done() and not called.cancelled():
            self._running[rank] -= 1
            self._call_next()
        self._line = [each for each in self._line if each[2] is not called]
        heapq.heapify(self._line)

    @property
    def _for_others(self) -> int:
        quiet = time.monotonic() - self._known_came > QUIET_S and not self._running[Rank.KNOWN]
        return self.places if quiet else max(1, self.places - 1)

    def _may_run(self, rank: Rank) -> bool:
        others = self._running[Rank.SHOP] + self._running[Rank.STRANGER]
        return self.running() < self.places and (rank is Rank.KNOWN or others < self._for_others)

    def _call_next(self) -> None:
        """Call whoever may run, best rank first; who gave up waiting is passed over."""
        held: list[tuple[Rank, int, asyncio.Future[None]]] = []
        while self._line:
            rank, order, called = heapq.heappop(self._line)
            if called.done():
                continue
            if self._may_run(rank):
                self._running[rank] += 1
                called.set_result(None)
            else:
                held.append((rank, order, called))
                if rank is Rank.KNOWN or self.running() >= self.places:
                    break
        for each in held:
            heapq.heappush(self._line, each)


class Admitted:
    """A measuring pool behind the line, for one rank.

    Parameters
    ----------
    pool : Measurer
    admission : Admission
    rank : Rank
    """

    def __init__(self, pool: Measurer, admission: Admission, rank: Rank) -> None:
        self._pool, self.admission, self._rank = pool, admission, rank

    async def is_ready(self) -> bool:
        """Whether photos can be measured now."""
        return await self._pool.is_ready()

    async def arm(self, data: bytes, name: str, question: ArmQuestion | None = None) -> Outcome:
        """Measure the arm in one photo."""
        async with self.admission.place(self._rank):
            return await self._pool.arm(data, name, question)

    async def arm_together(self, files: Sequence[tuple[bytes, str]], question: ArmQuestion | None = None) -> Outcome:
        """Measure one child's arm from several photos."""
        async with self.admission.place(self._rank):
            return await self._pool.arm_together(files, question)

    async def instrument(self, data: bytes, name: str, question: InstrumentQuestion | None = None) -> Outcome:
        """Measure the instrument in one photo."""
        async with self.admission.place(self._rank):
            return await self._pool.instrument(data, name, question)

    async def instrument_together(
        self, files: Sequence[tuple[bytes, str]], question: InstrumentQuestion | None = None
    ) -> Outcome:
        """Measure one instrument from several photos of it lying still."""
        async with self.admission.place(self._rank):
            return await self._pool.instrument_together(files, question)

    async def look(self, files: Sequence[bytes], question: Question) -> bytes | None:
        """What is seen in a photo, in several together or in a film, for `solve`; None where that failed."""
        async with self.admission.place(self._rank):
            return await self._pool.look(files, question)

    async def solve(
        self, sight: bytes, question: Question, moved: Moved | None = None, picture: bytes | None = None
    ) -> Outcome:
        """Lengths from what was seen, with points that were moved, drawn on a picture if there is one."""
        async with self.admission.place(self._rank):
            return await self._pool.solve(sight, question, moved, picture)
