"""Durable workflows: each step is noted in a database, so that a killed process takes up where it stopped.

A photo is acknowledged only after its encrypted file, its row and its workflow are all on the disk.  A workflow's id is
made from the upload's id, so starting it twice is the same as starting it once; every step may run again after a crash
and then leaves the same state behind.  What the workflow database holds are identities only, nothing of a photo.
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime, timedelta
from typing import Any

from dbos import DBOS
from sqlalchemy import select

from service.jobs.clock import Clock
from service.measuring.pool import Measurer
from service.measuring.work import ArmQuestion, InstrumentQuestion, Outcome
from service.records.database import Store
from service.records.lookups import age_years, stated_bar_mm
from service.records.photos import ORIGINAL, OVERLAY, VIEW, PhotoFolder
from service.records.tables import ARM, MEASURED, RECEIVED, REFUSED, Child, Upload

STRAY_AFTER = timedelta(hours=1)
"""A photo without a row that lies this long belongs to nothing: an upload takes seconds."""


@dataclass(frozen=True)
class Workshop:
    """What the workflows work with."""

    store: Store
    photos: PhotoFolder
    pool: Measurer
    clock: Clock
    review: bool


_workshop: Workshop | None = None


def open_workshop(workshop: Workshop | None) -> None:
    """Hand the workflows their tools; None when the service stops."""
    global _workshop
    _workshop = workshop


def workshop() -> Workshop:
    """The tools of the running service.

    Raises
    ------
    RuntimeError
        If the service is not running.
    """
    if _workshop is None:
        raise RuntimeError("the service is not running")
    return _workshop


@DBOS.workflow()
async def measure_upload(upload_id: str) -> None:
    """Measure a photo that arrived, then delete it unless a teacher is to review it."""
    await measure_photo(upload_id)
    await forget_original(upload_id)


@DBOS.step()
async def measure_photo(upload_id: str) -> None:
    """Measure in a worker process and note the result."""
    tools = workshop()
    with tools.store.whole_house() as session:
        upload = session.get(Upload, upload_id)
        if upload is None or upload.state != RECEIVED:
            return
        child = session.get(Child, upload.child_id) if upload.child_id else None
        kind, bar_mm = upload.kind, stated_bar_mm(session, upload)
        question = ArmQuestion(age_years=age_years(child, tools.clock.now().date()), bar_mm=bar_mm)
    original = tools.photos.get(upload_id, ORIGINAL)
    if original is None:
        outcome = Outcome({"usable": False, "problems": [], "points_px": {}})
    elif kind == ARM:
        outcome = await tools.pool.arm(original, kind, question)
    else:
        outcome = await tools.pool.instrument(original, kind, InstrumentQuestion(bar_mm=bar_mm))
    keep_outcome(tools, upload_id, outcome)


def keep_outcome(tools: Workshop, upload_id: str, outcome: Outcome) -> None:
    """Keep the pictures, then the result, so that a result never lacks its pictures; none of a refused photo."""
    usable = bool(outcome.result["usable"])
    for kind, picture in ((VIEW, outcome.photo_jpeg), (OVERLAY, outcome.overlay_jpeg)):
        if usable and picture is not None:
            tools.photos.put(upload_id, kind, picture)
    with tools.store.whole_house() as session:
        upload = session.get(Upload, upload_id)
        if upload is None:  # deleted by the family while it was being measured
            tools.photos.delete(upload_id)
            return
        upload.result = outcome.result
        upload.state = MEASURED if usable else REFUSED
        if outcome.size_px is not None:
            upload.width_px, upload.height_px = outcome.size_px


@DBOS.step()
async def forget_original(upload_id: str) -> None:
    """Delete the photo as it came: at once where it was refused or nobody reviews."""
    tools = workshop()
    with tools.store.whole_house() as session:
        upload = session.get(Upload, upload_id)
        refused = upload is None or upload.state == REFUSED
    if refused or not tools.review:
        tools.photos.delete(upload_id, ORIGINAL)


@DBOS.step()
async def delete_photos_now(upload_id: str) -> None:
    """Delete the files, then note that they are gone."""
    tools = workshop()
    tools.photos.delete(upload_id)
    with tools.store.whole_house() as session:
        upload = session.get(Upload, upload_id)
        if upload is not None:
            upload.photos_deleted_at = tools.clock.now()


@DBOS.workflow()
async def delete_photos_on_their_day(scheduled_at: datetime, context: Any) -> None:
    """Delete the photos of every upload that is due; runs every hour and on start."""
    for upload_id in await due_uploads():
        await delete_photos_now(upload_id)


@DBOS.step()
async def due_uploads() -> list[str]:
    """Uploads whose photos are due for deletion, and photos that belong to nothing."""
    tools = workshop()
    today = tools.clock.now().date()
    with tools.store.whole_house() as session:
        due = session.scalars(
            select(Upload.id).where(Upload.delete_on <= today, Upload.photos_deleted_at.is_(None))
        ).all()
    return [*due, *_strays(tools)]


def _strays(tools: Workshop) -> list[str]:
    """Photos without a row: a process was killed before it acknowledged them, or their row was deleted.

    A photo that is arriving just now has no row yet, so only those that have lain for an hour are strays.
    """
    kept = tools.photos.kept(tools.clock.now() - STRAY_AFTER)
    with tools.store.whole_house() as session:
        return sorted(kept - set(session.scalars(select(Upload.id))))
