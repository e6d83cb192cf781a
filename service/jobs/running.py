"""Starting and stopping the durable work, and handing it a new upload."""

from __future__ import annotations

import logging
import sqlite3
import time
from datetime import datetime
from pathlib import Path
from typing import Any

from dbos import DBOS, DBOSConfig, SetWorkflowID
from sqlalchemy import Engine, event, select

from service.jobs.workflows import Workshop, delete_photos_on_their_day, measure_upload, open_workshop
from service.records.tables import RECEIVED, Upload

log = logging.getLogger("scrollreach")

EVERY_HOUR = "0 * * * *"
WORKFLOWS_VERSION = "1"
"""Version of the workflows' shape: a newer program takes up work that an older one left, while this stays."""


def _with_fractions_of_seconds(connection: Any, _: object) -> None:
    """Give an older SQLite the `unixepoch('subsec')` that the workflow database asks for on Python 3.12 and newer.

    SQLite knows the word from 3.42 on (release history, 2023-05-16); Debian 12 has 3.40.
    """
    if isinstance(connection, sqlite3.Connection):
        connection.execute("PRAGMA secure_delete=ON")
    if isinstance(connection, sqlite3.Connection) and sqlite3.sqlite_version_info < (3, 42):
        connection.create_function("unixepoch", 1, lambda _: time.time())


async def start_jobs(workshop: Workshop, jobs_file: Path) -> None:
    """Open the workflow database, take up what was left unfinished, and schedule deletions."""
    open_workshop(workshop)
    for name in ("dbos", "alembic"):
        logging.getLogger(name).setLevel(logging.ERROR)
    config: DBOSConfig = {
        "name": "scrollreach",
        "system_database_url": f"sqlite:///{jobs_file}",
        "application_version": WORKFLOWS_VERSION,
        "log_level": "ERROR",
        "enable_otlp": False,
    }
    if not event.contains(Engine, "connect", _with_fractions_of_seconds):
        event.listen(Engine, "connect", _with_fractions_of_seconds)
    DBOS(config=config)
    DBOS.launch()
    await _schedule_deletions()
    with workshop.store.whole_house() as session:
        unstarted = session.scalars(select(Upload.id).where(Upload.state == RECEIVED)).all()
    for upload_id in unstarted:
        await start_measuring(upload_id)
    await sweep(workshop.clock.now())


async def _schedule_deletions() -> None:
    name = "delete-photos-on-their-day"
    if not await DBOS.list_schedules_async(schedule_name_prefix=name):
        await DBOS.create_schedule_async(
            schedule_name=name, workflow_fn=delete_photos_on_their_day, schedule=EVERY_HOUR
        )


async def start_measuring(upload_id: str) -> None:
    """Start measuring an upload that is kept; twice is once.

    Where that fails just now, the keeper starts it as soon as it can: the photo was acknowledged.
    """
    try:
        with SetWorkflowID(f"measure:{upload_id}"):
            await DBOS.start_workflow_async(measure_upload, upload_id)
    except Exception as error:
        log.error("measuring could not be started and will be: %s", type(error).__name__)


async def start_again(upload_id: str) -> None:
    """Start measuring an upload whose earlier workflow has ended."""
    try:
        with SetWorkflowID(f"measure:{upload_id}:{int(time.time())}"):
            await DBOS.start_workflow_async(measure_upload, upload_id)
    except Exception as error:
        log.error("measuring could not be started and will be: %s", type(error).__name__)


async def forget_ended() -> None:
    """Forget workflows that ended: their names are identities of photos."""
    ended = await DBOS.list_workflows_async(
        workflow_id_prefix="measure:", status=["SUCCESS", "ERROR"], load_input=False, load_output=False
    )
    if ended:
        await DBOS.delete_workflows_async([each.workflow_id for each in ended])


async def sweep(now: datetime) -> None:
    """Delete what is due now; the hourly schedule does the same."""
    await delete_photos_on_their_day(now, None)


def stop_jobs() -> None:
    """Stop; unfinished work is taken up on the next start."""
    DBOS.destroy()
    open_workshop(None)
