"""Starting and stopping the durable work, and handing it a new upload."""

from __future__ import annotations

import asyncio
import logging
import socket
import sqlite3
import time
import uuid
from datetime import datetime
from typing import Any

from dbos import DBOS, DBOSConfig, ScheduleInput, SetWorkflowID
from sqlalchemy import Engine, event, select

from service.jobs.presence import Presence
from service.jobs.shop import AT_ONCE, SHOP_QUEUE, Backroom, open_backroom
from service.jobs.workflows import delete_photos_on_their_day, measure_upload
from service.jobs.workshop import Workshop, open_workshop, workshop
from service.logs import note_failure
from service.records.tables import RECEIVED, Upload

QUEUE = "measuring"
QUEUE_LOOK_S = 0.2
"""How often a worker looks into the common queue, s: our choice, little beside a second of measuring."""
STOP_LOOK_S = 0.1
"""How often the engine's listener wakes, s: nobody here listens, but a stop waits for it (usually a second)."""
EVERY_HOUR = "0 * * * *"
ENDED = ["SUCCESS", "ERROR", "CANCELLED", "MAX_RECOVERY_ATTEMPTS_EXCEEDED"]
WORKFLOWS_VERSION = "1"
"""Version of the workflows' shape: a newer program takes up work that an older one left, while this stays."""


def _prepare_sqlite(connection: Any, _: object) -> None:
    """Let SQLite overwrite what is deleted from the workflow database, too, whose connections a library opens.

    An older one is given the `unixepoch('subsec')` that the library asks for on Python 3.12 and newer: SQLite knows the
    word from 3.42 on (release history, 2023-05-16); Debian 12 has 3.40.
    """
    if not isinstance(connection, sqlite3.Connection):
        return
    connection.execute("PRAGMA secure_delete=ON")
    if sqlite3.sqlite_version_info < (3, 42):
        connection.create_function("unixepoch", 1, lambda _: time.time())


async def start_jobs(tools: Workshop, backroom: Backroom, jobs_url: str) -> Presence:
    """Open the workflow database, take up what was left unfinished, and schedule deletions."""
    open_workshop(tools)
    open_backroom(backroom)
    shared = tools.store.is_shared
    executor_id = f"{socket.gethostname()}-{uuid.uuid4().hex}" if shared else "local"
    presence = Presence(tools.store, executor_id)
    await asyncio.to_thread(presence.announce)
    for name in ("dbos", "alembic"):
        logging.getLogger(name).setLevel(logging.ERROR)
    config: DBOSConfig = {
        "name": "scrollreach",
        "system_database_url": jobs_url,
        "executor_id": executor_id,
        "application_version": WORKFLOWS_VERSION,
        "log_level": "ERROR",
        "enable_otlp": False,
        "notification_listener_polling_interval_sec": STOP_LOOK_S,
    }
    if not event.contains(Engine, "connect", _prepare_sqlite):
        event.listen(Engine, "connect", _prepare_sqlite)
    DBOS(config=config)
    if shared:
        DBOS.listen_queues([] if tools.role == "web" else [QUEUE, SHOP_QUEUE])
    DBOS.launch()
    if shared:
        await DBOS.register_queue_async(QUEUE, worker_concurrency=tools.places, polling_interval_sec=QUEUE_LOOK_S)
        await DBOS.register_queue_async(SHOP_QUEUE, worker_concurrency=AT_ONCE, polling_interval_sec=QUEUE_LOOK_S)
    await _schedule_deletions()
    with tools.store.whole_house() as session:
        unstarted = session.scalars(select(Upload.id).where(Upload.state == RECEIVED)).all()
    for upload_id in unstarted:
        await start_measuring(upload_id)
    await sweep(tools.clock.now())
    return presence


async def _schedule_deletions() -> None:
    # applied rather than created: machines that start at the same moment would all create it, and all but one fail
    deletions: ScheduleInput = {
        "schedule_name": "delete-photos-on-their-day",
        "workflow_fn": delete_photos_on_their_day,
        "schedule": EVERY_HOUR,
    }
    await DBOS.apply_schedules_async([deletions])


async def start_measuring(upload_id: str) -> None:
    """Start measuring an upload that is kept; twice is once.

    Where that fails just now, the keeper starts it as soon as it can: the photo was acknowledged.
    """
    await _start(f"measure:{upload_id}", upload_id)


async def start_again(upload_id: str) -> None:
    """Start measuring an upload whose earlier workflow has ended."""
    await _start(f"measure:{upload_id}:{int(time.time())}", upload_id)


async def _start(workflow_id: str, upload_id: str) -> None:
    """Measure here, or put it into the queue that all workers share."""
    try:
        with SetWorkflowID(workflow_id):
            if workshop().store.is_shared:
                await DBOS.enqueue_workflow_async(QUEUE, measure_upload, upload_id)
            else:
                await DBOS.start_workflow_async(measure_upload, upload_id)
    except Exception as error:
        note_failure("measuring could not be started and will be", error)


async def forget_ended() -> None:
    """Forget workflows that ended, whatever they were: their names and notes are identities of photos and jobs."""
    ended = await DBOS.list_workflows_async(status=ENDED, load_input=False, load_output=False)
    if ended:
        await DBOS.delete_workflows_async([each.workflow_id for each in ended])


async def sweep(now: datetime) -> None:
    """Delete what is due now; the hourly schedule does the same."""
    await delete_photos_on_their_day(now, None)


def stop_jobs() -> None:
    """Stop; unfinished work is taken up on the next start."""
    DBOS.destroy()
    open_workshop(None)
    open_backroom(None)
