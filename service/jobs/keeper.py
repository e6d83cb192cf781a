"""Sees to it that every acknowledged photo is being measured, and knows how the service is.

A workflow's own notes can fail together with what it works on: a disk is full, a database locked.  So what counts is
the upload's row.  Every few seconds the rows that wait are compared with the workflows that run in this process or wait
in another one; whatever nobody works at is started anew, as often as it takes, until it is measured, given up for the
teacher to see (`service.jobs.workflows.MOST_TRIES`) or due for deletion.
"""

from __future__ import annotations

import asyncio
import shutil
import time
from dataclasses import dataclass, field
from datetime import timedelta
from pathlib import Path
from typing import Literal

from dbos import DBOS
from fastapi.concurrency import contextmanager_in_threadpool
from sqlalchemy import delete, or_, select

from service.jobs.presence import Presence
from service.jobs.running import forget_ended, start_again
from service.jobs.shop import look_round
from service.jobs.workflows import at_work
from service.jobs.workshop import Workshop
from service.logs import note_failure
from service.records.audit import forget_old
from service.records.tables import RECEIVED, UNDER_WORK, Invitation, SignIn, Upload

EVERY_S = 5.0
"""How often it looks, s: our choice."""
OVERDUE_S = 15.0
"""A photo that waits so long, s, while nobody works at it, is taken up: longer than keeping and starting it takes."""
STALE_S = 60.0
"""What was seen so long ago, s, is no longer true: the looking itself hangs."""
LEAST_FREE_BYTES = 200 * 2**20
"""With less room on the disk than this, a few photos more would fill it: our choice."""
LONGEST_WAIT_S = 600.0
"""A photo that waits longer, s, means that measuring does not keep up: our choice."""
FORGET_EVERY_S = 300.0
"""How often workflows that ended are forgotten, s: our choice."""
ENDED_KEPT = timedelta(days=30)
"""How long browsers and invitations that ended are kept: our choice."""
UNDER_WAY = ["PENDING", "ENQUEUED", "DELAYED"]

Fault = Literal["database", "disk", "queue", "keeper"]
"""What may be wrong: the records do not answer, little room on the disk, photos wait too long, nobody looked."""


@dataclass(frozen=True)
class Condition:
    """How the service is, as last looked at.

    Attributes
    ----------
    database : bool
        The records answer.
    disk_free_bytes : int
        Room where the data lie.
    waiting : int
        Photos that are acknowledged and not yet measured.
    oldest_s : float
        How long the oldest of them waits.
    workers : bool
        A measuring process answers.
    seen : float
        When it was looked at, on the clock of `time.monotonic`.
    """

    database: bool = True
    disk_free_bytes: int = LEAST_FREE_BYTES
    waiting: int = 0
    oldest_s: float = 0.0
    workers: bool = True
    seen: float = field(default_factory=time.monotonic)

    def faults(self) -> list[Fault]:
        """What is wrong, one word each; empty where nothing is."""
        found: dict[Fault, bool] = {
            "database": not self.database,
            "disk": self.disk_free_bytes < LEAST_FREE_BYTES,
            "queue": self.oldest_s > LONGEST_WAIT_S,
            "keeper": time.monotonic() - self.seen > STALE_S,
        }
        return [name for name, is_wrong in found.items() if is_wrong]


class Keeper:
    """Looks after the photos that wait.

    Parameters
    ----------
    workshop : Workshop
        What the workflows work with.
    presence : Presence
        Which processes live.
    folder : Path
        Where the data lie.
    """

    def __init__(self, workshop: Workshop, presence: Presence, folder: Path) -> None:
        self._workshop, self._presence, self._folder = workshop, presence, folder
        self.condition = Condition()
        self._task: asyncio.Task[None] | None = None
        self._forgot = time.monotonic()

    def start(self) -> None:
        """Begin to look."""
        self._task = asyncio.create_task(self._keep())

    async def stop(self) -> None:
        """End looking."""
        if self._task is not None:
            self._task.cancel()
            await asyncio.gather(self._task, return_exceptions=True)

    async def _keep(self) -> None:
        while True:
            try:
                await self.look()
            except Exception as error:  # whatever it is, the next photo still needs somebody who looks
                note_failure("what waits could not be looked at", error)
            await asyncio.sleep(EVERY_S)

    async def look(self) -> None:
        """Look once, and take up what nobody works at."""
        workers = await self._workshop.pool.is_ready()
        await self._forget()
        try:
            await asyncio.to_thread(self._presence.announce)
            waiting = await asyncio.to_thread(self._waiting)
            free = (await asyncio.to_thread(shutil.disk_usage, self._folder)).free
        except Exception as error:  # whatever it is, the service lives on and says so
            note_failure("the records do not answer", error)
            self.condition = Condition(False, self.condition.disk_free_bytes, self.condition.waiting, workers=workers)
            return
        oldest_s = max(waiting.values(), default=0.0)
        self.condition = Condition(True, free, len(waiting), oldest_s, workers)
        overdue = [upload_id for upload_id, waits_s in waiting.items() if waits_s > OVERDUE_S]
        if overdue:
            await self._take_up(overdue)
        try:
            await look_round()
        except Exception as error:
            note_failure("a shop's work could not be taken up", error)

    async def _forget(self) -> None:
        """Leave no trace of what was deleted: not in the log of the records, and no identity among the workflows."""
        try:
            if self._workshop.store.traces_left:
                await asyncio.to_thread(self._workshop.store.forget_traces)
            if time.monotonic() - self._forgot > FORGET_EVERY_S:
                self._forgot = time.monotonic()
                await forget_ended()
                await asyncio.to_thread(self._forget_history)
                await asyncio.to_thread(self._workshop.photos.forget_refused)
        except Exception as error:
            note_failure("traces could not be deleted yet", error)

    def _forget_history(self) -> None:
        """Delete what was noted long ago, and browsers and invitations that ended long ago."""
        now = self._workshop.clock.now()
        with self._workshop.store.whole_house() as session:
            forget_old(session, now)
            ended = now - ENDED_KEPT
            session.execute(delete(SignIn).where(or_(SignIn.expires_at < ended, SignIn.revoked_at < ended)))
            session.execute(delete(Invitation).where(Invitation.expires_at < ended))

    def _waiting(self) -> dict[str, float]:
        """Uploads that wait, with how long, s."""
        now = self._workshop.clock.now()
        with self._workshop.store.whole_house() as session:
            waiting = select(Upload.id, Upload.received_at, Upload.state).where(Upload.state.in_(UNDER_WORK))
            rows = session.execute(waiting).all()
        return {
            # since when one waits to be measured anew is not noted; what nobody works at is taken up at once
            upload_id: (now - received_at).total_seconds() if state == RECEIVED else 2 * OVERDUE_S
            for upload_id, received_at, state in rows
        }

    async def _take_up(self, overdue: list[str]) -> None:
        try:
            async with contextmanager_in_threadpool(self._presence.alone()) as alone:
                elsewhere = await self._under_way() if alone else set(overdue)
                for upload_id in overdue:
                    if upload_id not in at_work and upload_id not in elsewhere:
                        await start_again(upload_id)
        except Exception as error:
            note_failure("a photo that waits could not be taken up", error)

    async def _under_way(self) -> set[str]:
        """Uploads at which another living process works or that wait in the common queue."""
        found = await DBOS.list_workflows_async(
            workflow_id_prefix="measure:", status=UNDER_WAY, load_input=False, load_output=False
        )
        own = self._presence.executor_id
        others = {each.executor_id for each in found if each.status == "PENDING" and each.executor_id} - {own}
        living = {executor for executor in others if await asyncio.to_thread(self._presence.lives, executor)}
        dead = [each for each in found if each.status == "PENDING" and each.executor_id in others - living]
        if dead:
            await DBOS.cancel_workflows_async([each.workflow_id for each in dead])
        under_way = [each for each in found if each.status != "PENDING" or each.executor_id in living]
        return {each.workflow_id.split(":")[1] for each in under_way}
