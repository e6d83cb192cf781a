"""Durable workflows: each step is noted in a database, so that a killed process takes up where it stopped.

A photo is acknowledged only after its encrypted file and its row are on the disk; `service.jobs.keeper` sees to it that
every such row has a workflow.  A workflow's id is made from the upload's id, so starting it twice is starting it once;
every step may run again after a crash and then leaves the same state behind.  The photo as it came is deleted
only after its result is kept.  Where measuring fails for a reason of ours (a worker died, a disk is full) it is tried
again; after `MOST_TRIES` the photo is kept and the teacher told.  What the workflow database holds are identities only.
"""

from __future__ import annotations

import asyncio
from collections.abc import Iterator, Sequence
from contextlib import contextmanager, suppress
from dataclasses import dataclass, replace
from datetime import datetime
from typing import Any

from dbos import DBOS
from sqlalchemy import select
from sqlalchemy.orm import Session

from service.jobs.moving import NotMovable, View, solve_moved, views_of
from service.jobs.telling import tell_later
from service.jobs.workshop import Workshop, workshop
from service.measuring.outcome import ArmQuestion, Outcome, Question
from service.measuring.pool import Measurer
from service.measuring.same_child import unused
from service.records.deeds import forget_deeds
from service.records.lookups import Stated, question_of, stated
from service.records.photos import FOR_MOVING, OVERLAY, STRAY_AFTER, VIEWS, PhotoFolder
from service.records.tables import (
    ACCEPTED,
    ANEW,
    FAILED,
    MEASURED,
    REFUSED,
    UNDER_WORK,
    Upload,
)
from service.words.writing import day_of

MOST_DEATHS = 8
"""Times a photo is begun whose trying ends the whole process each time: then nobody tries again by himself."""
MOST_TRIES = 4
"""Times a photo is tried whose workers die or hang: our choice; by accident a worker dies once, not four times."""


class MeasuringFailed(RuntimeError):
    """Raised where nothing was found out about a photo, so that the step is tried again."""


at_work: set[str] = set()
"""Uploads that this process is measuring."""
_waited_for: dict[str, list[tuple[asyncio.AbstractEventLoop, asyncio.Event]]] = {}
"""Who waits in this process for the result of an upload, each on its own loop."""


@contextmanager
def news_of(upload_id: str) -> Iterator[asyncio.Event]:
    """An event that is set once this process has kept an upload's result; what another process keeps sets none."""
    waits = asyncio.get_running_loop(), asyncio.Event()
    _waited_for.setdefault(upload_id, []).append(waits)
    try:
        yield waits[1]
    finally:
        _waited_for[upload_id].remove(waits)
        if not _waited_for[upload_id]:
            del _waited_for[upload_id]


def _tell_who_waits(upload_id: str) -> None:
    for loop, kept in tuple(_waited_for.get(upload_id, ())):
        loop.call_soon_threadsafe(kept.set)


@DBOS.workflow()
async def measure_upload(upload_id: str) -> None:
    """Measure a photo that arrived, then delete it unless a teacher is to review it."""
    at_work.add(upload_id)
    try:
        await measure_photo(upload_id)
        await forget_original(upload_id)
        await tell_later(upload_id)
    finally:
        at_work.discard(upload_id)


@DBOS.step(retries_allowed=True, max_attempts=MOST_TRIES, interval_seconds=1.0, backoff_rate=2.0)
async def measure_photo(upload_id: str) -> None:
    """Measure in a worker process and note the result.

    Raises
    ------
    MeasuringFailed
        If the worker failed and there are tries left.
    """
    tools = workshop()
    while asked := await asyncio.to_thread(_begin_try, tools, upload_id):
        originals = await asyncio.to_thread(tools.photos.originals, upload_id)
        outcome = await measured(tools.pool, originals, asked.kind, asked.question)
        if outcome.failed and asked.tries < MOST_TRIES:
            raise MeasuringFailed
        if not await asyncio.to_thread(keep_outcome, tools, upload_id, outcome, asked.question):
            continue  # the family said meanwhile how long its bar is
        await _solve_anew(tools, upload_id, originals, asked.question)
        _tell_who_waits(upload_id)
        return


async def _solve_anew(tools: Workshop, upload_id: str, originals: Sequence[bytes], question: Question) -> None:
    """Solve for the points that a teacher had moved where a photo was measured anew; then it is reviewed again."""

    def moved() -> tuple[list[View], dict[str, tuple[float, float]]] | None:
        with tools.store.whole_house() as session:
            upload = session.get(Upload, upload_id)
            if upload is None or upload.state != ANEW:
                return None
            return views_of(upload), (upload.corrected or {}).get("moved_px", {})

    def keep(found: dict[str, Any] | None) -> None:
        with tools.store.whole_house() as session:
            upload = session.get(Upload, upload_id)
            if upload is not None and upload.state == ANEW:
                upload.corrected = found if found is not None and found["usable"] else None
                upload.state = MEASURED

    under_work = await asyncio.to_thread(moved)
    if under_work is None:
        return
    views, points = under_work
    found = None
    if points:
        sight = await tools.pool.look(originals, question)
        if sight is not None:
            with suppress(NotMovable):
                found = await solve_moved(tools.pool, sight, views, question, points)
    await asyncio.to_thread(keep, found)


async def measured(pool: Measurer, originals: Sequence[bytes], kind: str, question: Question) -> Outcome:
    """What one photo gives, or several of the same child or instrument together."""
    files = [(content, kind) for content in originals]
    if not files:
        return Outcome({"usable": False, "problems": [], "points_px": {}})
    if isinstance(question, ArmQuestion):
        if len(files) == 1:
            return await pool.arm(*files[0], question)
        return _with_unused(_with_reason(await pool.arm_together(files, question)))
    if len(files) == 1:
        return await pool.instrument(*files[0], question)
    return await pool.instrument_together(files, question)


def _with_unused(joint: Outcome) -> Outcome:
    """With what is to be said of photos that were not used beside those that were."""
    left = unused(joint.photos) if joint.result["usable"] else []
    return replace(joint, result=joint.result | {"unused": left}) if left else joint


def _with_reason(joint: Outcome) -> Outcome:
    """Where none of several photos could be measured, say of the first why not: that is what is done differently."""
    if joint.result["usable"] or any(each.result["usable"] for each in joint.photos) or not joint.photos:
        return joint
    first = joint.photos[0]
    return replace(joint, result=joint.result | {"problems": first.result["problems"]}, refusal_jpeg=first.refusal_jpeg)


@dataclass(frozen=True)
class _Asked:
    """What to measure in an upload, and how often that was begun."""

    kind: str
    question: Question
    tries: int


def _begin_try(tools: Workshop, upload_id: str) -> _Asked | None:
    """Count a try before it begins, since a photo may take the whole process with it; None where nothing is to do."""
    with tools.store.whole_house() as session:
        upload = session.get(Upload, upload_id)
        if upload is None or upload.state not in UNDER_WORK:
            return None
        upload.tries += 1
        if upload.tries > MOST_DEATHS:
            upload.state = MEASURED if upload.state == ANEW else FAILED
            return None
        question = question_of(session, upload, day_of(tools.clock.now()), refused_too=False)
        return _Asked(upload.kind, question, upload.tries)


def keep_outcome(tools: Workshop, upload_id: str, outcome: Outcome, question: Question | None = None) -> bool:
    """Keep the pictures, then the result, so that a result never lacks its pictures; none of a refused photo.

    What was kept by another process meanwhile stays: a photo is measured once.  One that was measured before and cannot
    be measured anew stays as it was: a ruler may have been read wrongly.

    Returns
    -------
    bool
        Whether it holds; not where something else is said of the sheet by now than `question` had.
    """
    with tools.store.whole_house() as session:
        upload = session.get(Upload, upload_id)
        if upload is not None and upload.state not in (*UNDER_WORK, MEASURED):
            return True
        if upload is not None and question is not None and _otherwise_stated(session, upload, question):
            return False
        anew = upload is not None and upload.state == ANEW
    usable = bool(outcome.result["usable"])
    if usable:
        keep_pictures(tools.photos, upload_id, outcome)
    if not usable and not anew and outcome.refusal_jpeg is not None:
        tools.photos.show_refused(upload_id, outcome.refusal_jpeg)
    with tools.store.whole_house() as session:
        upload = session.get(Upload, upload_id)
        if upload is None:  # deleted by the family while it was being measured
            tools.photos.delete(upload_id)
        elif not anew:
            keep_result(upload, outcome)
            upload.state = MEASURED if usable else FAILED if outcome.failed else REFUSED
        elif usable:
            keep_result(upload, outcome)  # and its state by and by, when moved points are solved for
        elif upload.state == ANEW:
            upload.state = MEASURED
    return True


def _otherwise_stated(session: Session, upload: Upload, question: Question) -> bool:
    return upload.state in UNDER_WORK and stated(session, upload) != Stated.of(question)


def keep_pictures(photos: PhotoFolder, upload_id: str, outcome: Outcome) -> None:
    """Keep what was measured in a photo, and the copy of each that went in on which points are moved."""
    views = outcome.views or (outcome,)
    pictures = {kind: None if view is None else view.photo_jpeg for kind, view in zip(VIEWS, views, strict=False)}
    for kind, picture in (*pictures.items(), (OVERLAY, outcome.overlay_jpeg)):
        if picture is not None:
            photos.put(upload_id, kind, picture)


def keep_result(upload: Upload, outcome: Outcome) -> None:
    """Note what was found in a photo."""
    views = [None if each is None else _view_json(each) for each in outcome.views]
    shown = {"drawn_px": outcome.drawn_px, "film_s": outcome.film_s} | ({"views": views} if views else {})
    upload.result = outcome.result | shown
    if outcome.size_px is not None:
        upload.width_px, upload.height_px = outcome.size_px


def _view_json(shown: Outcome) -> dict[str, Any]:
    """What a page draws over one of several pictures."""
    return {
        "points_px": shown.result["points_px"],
        "drawn_px": shown.drawn_px,
        "size_px": shown.size_px,
        "film_s": shown.film_s,
    }


@DBOS.step(retries_allowed=True, max_attempts=MOST_TRIES, interval_seconds=1.0, backoff_rate=2.0)
async def forget_original(upload_id: str) -> None:
    """Delete the photo as it came, and its copy: at once where it was refused or nobody reviews."""
    await asyncio.to_thread(_forget_original, workshop(), upload_id)


def _forget_original(tools: Workshop, upload_id: str) -> None:
    with tools.store.whole_house() as session:
        upload = session.get(Upload, upload_id)
        state = REFUSED if upload is None else upload.state
    if state == REFUSED or (state in (MEASURED, ACCEPTED) and not tools.review):
        tools.photos.delete(upload_id, *FOR_MOVING)


@DBOS.step(retries_allowed=True, max_attempts=MOST_TRIES, interval_seconds=1.0, backoff_rate=2.0)
async def delete_photos_now(upload_id: str) -> None:
    """Delete the files, then note that they are gone."""
    await asyncio.to_thread(_delete_photos, workshop(), upload_id)


def _delete_photos(tools: Workshop, upload_id: str) -> None:
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
    await forget_old_deeds()


@DBOS.step(retries_allowed=True, max_attempts=MOST_TRIES, interval_seconds=1.0, backoff_rate=2.0)
async def forget_old_deeds() -> None:
    """Forget what can no longer be undone."""
    await asyncio.to_thread(_forget_old_deeds, workshop())


def _forget_old_deeds(tools: Workshop) -> None:
    with tools.store.whole_house() as session:
        touched = forget_deeds(session, tools.clock.now())
    if touched:
        tools.store.forget_traces()


@DBOS.step(retries_allowed=True, max_attempts=MOST_TRIES, interval_seconds=1.0, backoff_rate=2.0)
async def due_uploads() -> list[str]:
    """Uploads whose photos are due for deletion, and photos that belong to nothing."""
    return await asyncio.to_thread(_due, workshop())


def _due(tools: Workshop) -> list[str]:
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
    tools.photos.sweep_halves()
    kept = tools.photos.kept(tools.clock.now() - STRAY_AFTER)
    with tools.store.whole_house() as session:
        return sorted(kept - set(session.scalars(select(Upload.id))))
