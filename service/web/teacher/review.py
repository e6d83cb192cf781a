"""Review: the photo large with its measured points; drag a point, and length, interval and verdict follow.

Without script the page still shows the points and accepts or asks again; only dragging needs it.  What is shown is the
blurred copy.  The photo as it came, which no page ever sends out, is looked at once when the page opens; moved points
are solved from what was seen then (`service.measuring.sights`), and drawn into the picture that is kept when they are
accepted.  Of photos that were measured together each has its picture, of a film the one frame that is kept; a point
that is moved in one of them is solved for with all the others.
"""

from __future__ import annotations

from dataclasses import asdict
from datetime import datetime
from typing import Any

from fastapi import APIRouter, BackgroundTasks, Request
from fastapi.exceptions import HTTPException
from fastapi.responses import HTMLResponse, JSONResponse, RedirectResponse, Response
from pydantic import ValidationError
from sqlalchemy import select, update
from sqlalchemy.orm import Session
from starlette.concurrency import run_in_threadpool

from service.fit.errors import FitError
from service.jobs.moving import NotMovable, by_file, solve_moved, views_of
from service.jobs.running import start_again
from service.jobs.workflows import keep_pictures, keep_result, measured
from service.measuring.outcome import ARM, Question
from service.records.audit import Action, note
from service.records.database import changed
from service.records.lookups import BAR, Stated, Told, question_of, stated
from service.records.photos import FOR_MOVING, ORIGINAL, OVERLAY, VIEWS
from service.records.tables import (
    ACCEPTED,
    AGAIN,
    ANEW,
    FAILED,
    MEASURED,
    RECEIVED,
    ArmRecord,
    Child,
    Instrument,
    PhotoRequest,
    Upload,
)
from service.records.wanted import is_open
from service.settings import PROGRAM_VERSION
from service.web.forms.models import AcceptForm, AgainForm, PointsForm, ToldForm
from service.web.forms.reading import text_field
from service.web.gate.guard import Fields, Records, SignedIn, TheHouse, Visitor, nothing_here
from service.web.house import House
from service.web.language import marked, page_language
from service.web.pages import go_to
from service.web.teacher.deeds import did, go_done
from service.web.teacher.requests import REASONS, ask
from service.web.teacher.review_view import (
    acceptable,
    beside,
    can_measure,
    check_possible,
    drawn_over,
    name_to_begin_with,
    only_lengths,
    review_page,
    seen_mark,
)
from service.words.names import is_unnamed
from service.words.writing import day_of

router = APIRouter(prefix="/reviews")
NO_HEIGHT = {
    "message": marked("The height is not understood."),
    "advice": marked("Type it in millimetres, at most 300, or leave it empty."),
}
NOT_SO = {"message": marked("It cannot be measured like this"), "advice": ""}
PICTURES = {kind.replace("view", "photo") + ".jpg": kind for kind in VIEWS} | {"overlay.jpg": OVERLAY}


@router.get("/{upload_id}")
def review(
    request: Request, upload_id: str, parts: TheHouse, records: Records, afterwards: BackgroundTasks
) -> HTMLResponse:
    """Show the photo with its points; then look at it, so that the first moved point is answered at once."""
    upload = _upload(records, upload_id)
    answer = review_page(request, parts, records, upload)
    if can_measure(parts, upload):
        afterwards.add_task(_sight, parts, upload.id, _question(parts, records, upload))
    answer.background = afterwards
    return answer


@router.get("/{upload_id}/{picture}")
def picture(upload_id: str, picture: str, parts: TheHouse, records: Records) -> Response:
    """The blurred photo, or the one with the measurement drawn on it."""
    upload = _upload(records, upload_id)
    content = parts.photos.get(upload.id, PICTURES[picture]) if picture in PICTURES else None
    if content is None:
        raise nothing_here()
    return Response(content, media_type="image/jpeg", headers={"Cache-Control": "private, no-store"})


@router.post("/{upload_id}/points")
async def move_points(request: Request, upload_id: str, who: Visitor, parts: TheHouse, form: Fields) -> Response:
    """Solve with points that were moved, keep them, and say what follows; no points are the automatic ones."""
    try:
        points = PointsForm.read(form).points
    except ValidationError:  # no page of ours sends such points
        raise nothing_here() from None
    found = await _solved(parts, who, upload_id, points)

    def keep() -> dict[str, Any]:
        with parts.store.for_studio(who.studio_id) as records:
            upload = _upload(records, upload_id)
            if upload.state != MEASURED:
                raise nothing_here()
            if found["usable"]:
                upload.corrected = found if points else None
            child = records.get_one(Child, upload.child_id) if upload.child_id else None
            seen = acceptable(upload, found)
            words = asdict(beside(request, records, child, upload, found))
            return words | {"seen": seen, "drawn": drawn_over(upload, found)}

    return JSONResponse({"usable": found["usable"]} | await run_in_threadpool(keep))


@router.post("/{upload_id}/told")
async def tell(request: Request, upload_id: str, who: Visitor, parts: TheHouse, form: Fields) -> Response:
    """Measure by what is said of the photo; where that fails everything stays as it was."""
    typed = {name: text_field(form, name) for name in ToldForm.model_fields}

    def not_understood() -> Response:
        with parts.store.for_studio(who.studio_id) as records:
            return review_page(request, parts, records, _upload(records, upload_id), NO_HEIGHT, 422, typed=typed)

    try:
        said = ToldForm.read(form)
    except ValidationError:
        return await run_in_threadpool(not_understood)
    told = Told(said.reference, said.touches, said.higher, said.height_mm if said.higher else None)

    def asked() -> tuple[str, Question]:
        with parts.store.for_studio(who.studio_id) as records:
            upload = _upload(records, upload_id)
            if upload.state != MEASURED:
                raise nothing_here()
            return upload.kind, _question(parts, records, upload, told)

    kind, question = await run_in_threadpool(asked)
    originals = await run_in_threadpool(parts.photos.originals, upload_id)
    if not originals:
        raise nothing_here()
    outcome = await measured(parts.pool, originals, kind, question)

    def keep() -> tuple[Response, dict[str, tuple[float, float]]]:
        with parts.store.for_studio(who.studio_id) as records:
            upload = _upload(records, upload_id)
            if upload.state != MEASURED:  # accepted, or asked for again, meanwhile
                raise nothing_here()
            if not outcome.result["usable"]:
                problem = (outcome.result["problems"] or [None])[0]
                return review_page(request, parts, records, upload, problem or NOT_SO, 422, typed=typed), {}
            moved = (upload.corrected or {}).get("moved_px", {})
            keep_pictures(parts.photos, upload_id, outcome)
            keep_result(upload, outcome)
            told.keep(upload)
            upload.corrected = None
        return go_to(f"/reviews/{upload_id}"), moved

    answer, moved = await run_in_threadpool(keep)
    if moved:
        await _move_again(parts, who, upload_id, moved)
    return answer


@router.post("/{upload_id}/accept")
async def accept(request: Request, upload_id: str, who: Visitor, parts: TheHouse, form: Fields) -> Response:
    """Take the measurement that the page showed into the records; the photo as it came, and its copy, are deleted."""
    await _draw_moved_points(parts, who, upload_id)
    said = AcceptForm.read(form)

    def take() -> Response:
        with parts.store.for_studio(who.studio_id) as records:
            upload = _upload(records, upload_id)
            under_review = (Upload.id == upload_id, Upload.state == MEASURED)
            is_first = changed(records, update(Upload).where(*under_review).values(state=MEASURED))
            records.refresh(upload)
            if not is_first and upload.state == ACCEPTED:  # pressed twice, or by two teachers
                return go_to(_after_review(records, upload))
            if upload.state == ANEW:  # the page says so, and shows what comes of it
                return go_to(f"/reviews/{upload_id}")
            if not is_first or upload.result is None:
                raise nothing_here()
            try:
                check_possible(upload, upload.corrected or upload.result, said.label)
            except FitError as fault:
                typed = said if upload.kind != ARM else None
                return review_page(request, parts, records, upload, status=422, called=typed, fault=fault)
            if said.seen != seen_mark(upload):
                return review_page(request, parts, records, upload, status=409, changed=True)
            now = parts.clock.now()
            with did(records, who, parts, f"{upload.kind}-accepted", upload.child_id) as deed:
                if upload.kind == ARM:
                    records.add(_arm_record(records, upload, who, now))
                else:
                    child = records.get(Child, upload.child_id) if upload.child_id else None
                    named = name_to_begin_with(records, child, page_language(request))
                    called = said
                    if child is not None and upload.instrument_id is None and is_unnamed(said.name, child.nickname):
                        called = said.model_copy(update={"name": named})  # another may have taken its name since
                    _keep_instrument(records, upload, called, named)
                upload.state = ACCEPTED
            about = upload.child_id or upload.instrument_id
            note(records, who.studio_id, Action.MEASUREMENT_ACCEPTED, now, who.teacher_id, about)
            following = _after_review(records, upload)
        parts.photos.delete(upload_id, *FOR_MOVING)
        return go_done(following, deed)

    return await run_in_threadpool(take)


@router.post("/{upload_id}/retry")
async def try_again(upload_id: str, who: Visitor, parts: TheHouse, form: Fields) -> RedirectResponse:
    """Measure a photo again at which measuring failed."""

    def reset() -> None:
        with parts.store.for_studio(who.studio_id) as records:
            upload = _upload(records, upload_id)
            if upload.state != FAILED or not parts.photos.has(upload_id, ORIGINAL):
                raise nothing_here()
            upload.state, upload.tries = RECEIVED, 0

    await run_in_threadpool(reset)
    await start_again(upload_id)
    return go_to(f"/reviews/{upload_id}")


@router.post("/{upload_id}/dismiss")
def dismiss(upload_id: str, who: Visitor, parts: TheHouse, form: Fields) -> RedirectResponse:
    """Delete a photo that is not wanted, without asking anybody for another."""
    with parts.store.for_studio(who.studio_id) as records:
        upload = _upload(records, upload_id)
        if upload.state == ACCEPTED:  # its numbers are in the records
            raise nothing_here()
        back = f"/children/{upload.child_id}" if upload.child_id else "/instruments"
        with did(records, who, parts, "photo-dismissed", upload.child_id) as deed:
            records.delete(upload)
        parts.photos.delete(upload_id)
    return go_done(back, deed)


@router.post("/{upload_id}/again")
def ask_again(
    request: Request, upload_id: str, who: Visitor, parts: TheHouse, records: Records, form: Fields
) -> RedirectResponse:
    """Ask the family for this photo once more, with one reason."""
    upload = _upload(records, upload_id)
    reason = AgainForm.read(form).reason
    if upload.state not in (MEASURED, ANEW, FAILED) or reason not in REASONS or upload.child_id is None:
        raise nothing_here()
    before = records.get(PhotoRequest, upload.request_id) if upload.request_id else None
    with did(records, who, parts, "asked-again", upload.child_id) as deed:
        upload.state, upload.again_reason = AGAIN, reason
        upload.photos_deleted_at = parts.clock.now()
        if before is not None and is_open(before, parts.clock.now()):
            before.finished_at, asked = None, before
        else:
            asked = ask(
                records,
                parts,
                records.get_one(Child, upload.child_id),
                asks_arm=upload.kind == ARM,
                asks_instrument=upload.kind != ARM,
                language=before.language if before else page_language(request),
                days=parts.settings.link_days,
                reason=reason,
            )
    parts.photos.delete(upload.id)
    return go_done(f"/requests/{asked.id}", deed)


def _after_review(records: Session, done: Upload) -> str:
    """Where to go on: to the same child's next photo to review, to whichever waits longest, else to what it is of."""
    waiting = records.execute(  # not what was measured in each, which takes longer to read than all the rest
        select(Upload.id, Upload.child_id)
        .where(Upload.state == MEASURED, Upload.id != done.id)
        .order_by(Upload.received_at)
    ).all()
    own = [each for each in waiting if done.child_id is not None and each.child_id == done.child_id]
    following = next((each.id for each in (*own, *waiting)), None)
    back = f"/children/{done.child_id}" if done.child_id else "/instruments"
    return f"/reviews/{following}" if following else back


async def _move_again(parts: House, who: SignedIn, upload_id: str, points: dict[str, tuple[float, float]]) -> None:
    """Solve for the points that were moved before a photo was measured by something else; where they can be."""
    try:
        found = await _solved(parts, who, upload_id, points)
    except HTTPException:  # of pictures that are not the same any more
        return

    def keep() -> None:
        with parts.store.for_studio(who.studio_id) as records:
            upload = _upload(records, upload_id)
            if upload.state == MEASURED and found["usable"]:
                upload.corrected = found

    await run_in_threadpool(keep)


def _upload(records: Session, upload_id: str) -> Upload:
    upload = records.get(Upload, upload_id)
    if upload is None:
        raise nothing_here()
    return upload


async def _solved(
    parts: House, who: SignedIn, upload_id: str, points: dict[str, tuple[float, float]]
) -> dict[str, Any]:
    """What follows from moved points."""

    def asked() -> tuple[Upload, Question]:
        with parts.store.for_studio(who.studio_id) as records:
            upload = _upload(records, upload_id)
            return upload, _question(parts, records, upload)

    upload, question = await run_in_threadpool(asked)
    if not points:
        return upload.result or {"usable": False, "points_px": {}}
    sight = await _sight(parts, upload_id, question)
    if sight is None:
        raise nothing_here()
    try:
        return await solve_moved(parts.pool, sight, views_of(upload), question, points)
    except NotMovable:
        raise nothing_here() from None


async def _sight(parts: House, upload_id: str, question: Question) -> bytes | None:
    """What is seen in what is under review; None where it is not kept any more or could not be looked at."""
    known = Stated.of(question)

    async def look() -> bytes | None:
        shared = await run_in_threadpool(parts.photos.shared_sight, upload_id, str(known))
        originals = [] if shared else await run_in_threadpool(parts.photos.originals, upload_id)
        if not originals:
            return shared
        sight = await parts.pool.look(originals, question)
        if sight is not None:
            await run_in_threadpool(parts.photos.share_sight, upload_id, str(known), sight)
        return sight

    return await parts.photos.sights.of(upload_id, known, look, lambda: parts.photos.has(upload_id, ORIGINAL))


async def _draw_moved_points(parts: House, who: SignedIn, upload_id: str) -> None:
    """Draw what was corrected into the picture that is kept, so that it shows what the report says."""

    def asked() -> tuple[Upload, Question, bytes | None]:
        with parts.store.for_studio(who.studio_id) as records:
            upload = _upload(records, upload_id)
            views, moved = views_of(upload), (upload.corrected or {}).get("moved_px")
            question = _question(parts, records, upload)
        picture = parts.photos.get(upload_id, VIEWS[views[0].number - 1]) if views and moved else None
        return upload, question, picture

    upload, question, picture = await run_in_threadpool(asked)
    if picture is None:
        return
    sight = await _sight(parts, upload_id, question)
    if sight is None:
        return
    moved = by_file(upload.kind, views_of(upload), (upload.corrected or {})["moved_px"])
    drawn = (await parts.pool.solve(sight, question, moved, picture)).overlay_jpeg

    def keep() -> None:
        if drawn is not None and parts.photos.has(upload_id, ORIGINAL):
            parts.photos.put(upload_id, OVERLAY, drawn)

    await run_in_threadpool(keep)


def _question(parts: House, records: Session, upload: Upload, told: Told | None = None) -> Question:
    """What to measure; `told` is said in place of what the records say."""
    return question_of(records, upload, day_of(parts.clock.now()), told)


def _arm_record(records: Session, upload: Upload, who: SignedIn, now: datetime) -> ArmRecord:
    kept = upload.corrected or upload.result or {}
    return ArmRecord(
        studio_id=upload.studio_id,
        child_id=upload.child_id,
        upload_id=upload.id,
        measured_on=day_of(upload.received_at),
        lengths=only_lengths(kept),
        automatic=_found(records, upload),
        corrected=upload.corrected is not None,
        accepted_at=now,
        teacher_id=who.teacher_id,
        program_version=PROGRAM_VERSION,
    )


def _keep_instrument(records: Session, upload: Upload, called: AcceptForm, otherwise: str) -> None:
    kept, found = upload.corrected or upload.result or {}, _found(records, upload)
    instrument = records.get(Instrument, upload.instrument_id) if upload.instrument_id else None
    if instrument is None:
        instrument = Instrument(studio_id=upload.studio_id, child_id=upload.child_id, notes={})
        records.add(instrument)
    instrument.name = called.name or otherwise
    instrument.label = called.label or None
    instrument.lengths = only_lengths(kept)
    instrument.automatic = found
    instrument.measured_on = day_of(upload.received_at)
    instrument.measured_by = "corrected" if upload.corrected else "photo"
    instrument.program_version = PROGRAM_VERSION
    records.flush()
    upload.instrument_id = instrument.id
    child = records.get(Child, upload.child_id) if upload.child_id else None
    if child is not None and child.instrument_id is None:
        child.instrument_id = instrument.id


def _found(records: Session, upload: Upload) -> dict[str, Any]:
    """What the program found, and by which length of the sheet's bar."""
    unnamed = {
        name: value
        for name, value in (upload.result or {}).items()
        if name not in ("photo", "drawn_px", "film_s", "views")
    }
    told = {name: value for name, value in asdict(Told.of(upload)).items() if value is not None}
    return unnamed | {BAR: stated(records, upload).bar_mm, "told": told}
