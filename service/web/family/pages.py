"""A family on a phone: a word on what happens, then sheet, child and instrument, one step a page.

The link is the key; there is no account and no cookie.  A photo is acknowledged when it and the order to measure it are
on the disk; the page then waits a moment for the result, and asks again by itself where measuring takes longer.
"""

from __future__ import annotations

import asyncio
import re
import secrets
from collections.abc import Sequence
from contextlib import suppress
from typing import Annotated, Any, Literal

from fastapi import APIRouter, Query, Request
from fastapi.responses import HTMLResponse, RedirectResponse, Response
from pydantic import ValidationError
from sqlalchemy import select
from sqlalchemy.exc import SQLAlchemyError
from sqlalchemy.orm import Session
from starlette.concurrency import run_in_threadpool

from calibration.sheet import CHECK_BAR_MM, Paper, SheetLayout
from service.jobs.running import start_again, start_measuring
from service.jobs.workflows import news_of
from service.measuring.admission import Rank
from service.questions.asked import PRINT_HEIGHTS_MM
from service.records.erase import erase_request
from service.records.photos import MOST_VIEWS, ORIGINAL, OVERLAY
from service.records.tables import (
    ACCEPTED,
    AGAIN,
    ANEW,
    FAILED,
    MEASURED,
    RECEIVED,
    UNDER_WORK,
    Child,
    PhotoRequest,
    Studio,
    Upload,
)
from service.records.uploads import NobodyAsks, Sent, keep_upload
from service.records.wanted import arrived, photo_states, sent_report, still_wanted
from service.web.forms.models import ConsentForm, FamilyLanguageForm, PaperForm, PhotoForm, SheetForm
from service.web.forms.reading import FileTooLarge, photo_fields, text_field
from service.web.gate.guard import (
    REPORT,
    Family,
    FamilyFields,
    FamilyRecords,
    FamilyVisit,
    LinkClosed,
    Sender,
    SenderFields,
    TheHouse,
    nothing_here,
)
from service.web.house import House
from service.web.pages import go_to, page
from service.web.teacher.requests import REASONS
from vision.problems import NOT_AS_TOLD, STATED_BUILD

router = APIRouter(prefix="/f/{token}")
WAIT_S = 8.0
"""How long the answer to an upload is held back for the result; then a page that asks again is shown."""
LOOK_EVERY_S = 0.2
"""How often the records are looked at meanwhile, s: another process may have measured it, which tells nobody here."""
PLACES = {
    "sheet": "/sheet",
    "paper": "/paper",
    "arm": "/arm",
    "instrument": "/instrument",
    "done": "/done/",
    "delete": "/delete/",
}
"""Pages of the family by the names their templates use; every other one is the first page."""
NAMED_BY_ADDRESS = re.compile(r"camera/(arm|instrument)|photo/[0-9a-f]{32}")
"""Pages that are named by their address."""

FOR_THE_TEACHER = frozenset({STATED_BUILD.code, NOT_AS_TOLD.code})
"""Remarks on what the teacher stated, which a family neither sees nor can mend."""
PHOTO_FIELDS = ("photo", "film", "photo_chosen")
"""Photos and films from the phone's camera, and what was there already."""
Kind = Literal["arm", "instrument"]


@router.get("")
def begin(request: Request, who: Family, parts: TheHouse, records: FamilyRecords) -> HTMLResponse:
    """Say what is asked and what happens to photos; ask an adult's consent."""
    asked = open_request(records, who)
    return page(
        request,
        "family/begin.html",
        **steps(records, who, asked, "begin"),
        photo_days=records.get_one(Studio, who.studio_id).photo_days,
        problem=None,
        **_standing(records, parts, asked),
    )


@router.post("/consent")
def consent(request: Request, who: Family, parts: TheHouse, records: FamilyRecords, form: FamilyFields) -> Response:
    """Note that an adult agreed."""
    asked = open_request(records, who)
    if not ConsentForm.read(form).adult:
        return page(
            request,
            "family/begin.html",
            422,
            **steps(records, who, asked, "begin"),
            photo_days=records.get_one(Studio, who.studio_id).photo_days,
            problem="adult",
            **_standing(records, parts, asked),
        )
    asked.consent_at = asked.consent_at or parts.clock.now()
    wanted = next(iter(still_wanted(records, asked)), None)
    return go_to(f"/f/{who.token}/{wanted.kind if wanted and wanted.again else 'sheet'}")


@router.post("/language")
def language(who: Family, records: FamilyRecords, form: FamilyFields) -> RedirectResponse:
    """Change the language of the family's pages and stay where the family is."""
    wished = FamilyLanguageForm.read(form)
    if wished.language is not None:
        open_request(records, who).language = wished.language
    named = f"/{wished.here}" if NAMED_BY_ADDRESS.fullmatch(wished.here) else ""
    return go_to(f"/f/{who.token}{PLACES.get(wished.here, named)}")


@router.get("/sheet")
def sheet(request: Request, who: Family, records: FamilyRecords) -> Response:
    """Step one: print the sheet and check its bar with a ruler."""
    asked = open_request(records, who)
    if asked.consent_at is None:
        return go_to(f"/f/{who.token}")
    return page(request, "family/sheet.html", **steps(records, who, asked, "sheet"), problem=None, typed="")


@router.post("/sheet")
async def sheet_checked(request: Request, who: Family, parts: TheHouse, form: FamilyFields) -> Response:
    """Note what the ruler said about the bar, where the family checked; photos under review are measured anew by it."""

    def noted() -> tuple[Response, list[str]]:
        with parts.store.for_studio(who.studio_id) as records:
            asked = open_request(records, who)
            try:
                bar_mm = SheetForm.read(form).bar_mm
            except ValidationError:
                shown = steps(records, who, asked, "sheet")
                return page(
                    request, "family/sheet.html", 422, **shown, problem="bar", typed=text_field(form, "bar_mm")
                ), []
            anew = _to_measure_anew(records, parts, who) if bar_mm != asked.bar_mm else []
            asked.bar_mm, asked.reference = bar_mm, None
            return go_to(f"/f/{who.token}/{_next_step(records, asked)}"), anew

    answer, anew = await run_in_threadpool(noted)
    for upload_id in anew:
        await start_again(upload_id)
    return answer


def _to_measure_anew(records: Session, parts: House, who: FamilyVisit) -> list[str]:
    """What was measured by the sheet and nobody accepted yet, so that a length of its bar still counts for it."""
    of_sheets = Upload.request_id == who.request_id, Upload.state == MEASURED, Upload.reference.is_(None)
    uploads = records.scalars(select(Upload).where(*of_sheets)).all()
    anew = [each for each in uploads if parts.photos.has(each.id, ORIGINAL)]
    for upload in anew:
        upload.state, upload.tries = ANEW, 0
    return [each.id for each in anew]


@router.get("/paper")
def paper(request: Request, who: Family, records: FamilyRecords) -> Response:
    """Step one without a printer: which blank paper, or which card, and how it is laid."""
    asked = open_request(records, who)
    if asked.consent_at is None:
        return go_to(f"/f/{who.token}")
    return page(request, "family/paper.html", **steps(records, who, asked, "paper"), problem=None)


@router.post("/paper")
def paper_chosen(request: Request, who: Family, records: FamilyRecords, form: FamilyFields) -> Response:
    """Note what lies in the photos instead of the printed sheet."""
    asked = open_request(records, who)
    chosen = PaperForm.read(form).reference
    if chosen is None:
        return page(request, "family/paper.html", 422, **steps(records, who, asked, "paper"), problem="none")
    asked.reference = chosen
    return go_to(f"/f/{who.token}/{_next_step(records, asked)}")


@router.get("/sheet.pdf")
def sheet_file(
    who: Family, records: FamilyRecords, paper: Annotated[Literal["a4", "letter"], Query()] = "a4"
) -> Response:
    """Serve the sheet to print, in the family's language."""
    from calibration.sheet_drawing import sheet_pdf

    return Response(
        sheet_pdf(SheetLayout(Paper(paper), 1), open_request(records, who).language),
        media_type="application/pdf",
        headers={"Content-Disposition": 'inline; filename="sheet.pdf"'},
    )


@router.get("/report")
def report(who: Family, parts: TheHouse, records: FamilyRecords) -> RedirectResponse:
    """The report that the teacher has sent; the first page where there is none (any more)."""
    asked = open_request(records, who)
    sent = sent_report(records, asked.child_id, parts.clock.now(), asked.created_at)
    return go_to(f"/f/{who.token}" if sent is None else f"/r/{parts.signer.token(REPORT, sent.id)}")


@router.get("/{kind}")
def photo_page(request: Request, who: Family, records: FamilyRecords, kind: Kind) -> Response:
    """Steps two and three: a photo of the child, a photo of the instrument."""
    asked = open_request(records, who)
    if asked.consent_at is None:
        return go_to(f"/f/{who.token}")
    return page(
        request,
        f"family/{kind}.html",
        **steps(records, who, asked, kind),
        client_key=secrets.token_hex(16),
        problem=None,
    )


@router.post("/{kind}")
async def send_photo(request: Request, who: Family, parts: TheHouse, kind: Kind, form: FamilyFields) -> Response:
    """Take a photo in, have it measured, and show what came of it."""
    parts.admission.check_room(Rank.KNOWN)
    if not await run_in_threadpool(parts.limiter.allows, "family", who.request_id):
        answer = await run_in_threadpool(_photo_problem, request, parts, who, kind, "often", 429)
        late_s = await run_in_threadpool(parts.limiter.retry_after_s, "family", who.request_id)
        answer.headers["Retry-After"] = str(late_s)
        return answer
    try:
        contents = await photo_fields(form, PHOTO_FIELDS, parts.settings.largest, MOST_VIEWS)
    except FileTooLarge as fault:
        what = "large film" if fault.film else "large photo"
        return await run_in_threadpool(_photo_problem, request, parts, who, kind, what, 413)
    if not contents:
        return await run_in_threadpool(_photo_problem, request, parts, who, kind, "none", 422)
    sent = PhotoForm.read(form)
    key = sent.client_key or secrets.token_hex(16)
    label = sent.label if "label" in form else None
    upload_id = await run_in_threadpool(_kept_upload, parts, who, kind, key, contents, label)
    await start_measuring(upload_id)
    await _result_of(parts, who.studio_id, upload_id)
    return go_to(f"/f/{who.token}/photo/{upload_id}")


@router.get("/photo/{upload_id}")
def photo_result(
    request: Request, who: Family, parts: TheHouse, records: FamilyRecords, upload_id: str
) -> HTMLResponse:
    """Say whether a photo is good, and if not, the one thing to do differently."""
    upload = _own_upload(records, who, upload_id)
    asked = open_request(records, who)
    shown = steps(records, who, asked, upload.kind)
    if upload.state == AGAIN:  # its own reason, whatever else is wanted
        shown |= {"reason": REASONS.get(upload.again_reason or ""), "reason_code": upload.again_reason or ""}
    return page(
        request,
        "family/result.html",
        **shown,
        stay=f"photo/{upload.id}",
        upload=upload,
        for_the_teacher=FOR_THE_TEACHER,
        measured=upload.state in (MEASURED, ACCEPTED),
        accepted=upload.state == ACCEPTED,
        drawn_anew=bool(upload.corrected) and not parts.photos.has(upload.id, ORIGINAL),  # when it was accepted
        waiting=upload.state in UNDER_WORK,
        kept=upload.state == FAILED,
        asked_again=upload.state == AGAIN,
        refused_picture=parts.photos.refused_picture(upload.id) is not None,
    )


@router.get("/photo/{upload_id}/overlay.jpg")
def photo_overlay(who: Family, parts: TheHouse, records: FamilyRecords, upload_id: str) -> Response:
    """The family's own photo with what was measured, or what is wrong with it, drawn on it; face blurred."""
    upload = _own_upload(records, who, upload_id)
    picture = parts.photos.get(upload.id, OVERLAY) or parts.photos.refused_picture(upload.id)
    if picture is None:
        raise nothing_here()
    return Response(picture, media_type="image/jpeg")


@router.get("/done/")
def done(request: Request, who: Family, parts: TheHouse, records: FamilyRecords) -> HTMLResponse:
    """Say thank you, how far everything is, and what happens next."""
    asked = open_request(records, who)
    shown = steps(records, who, asked, "done") | _standing(records, parts, asked)
    return page(request, "family/done.html", **shown)


@router.post("/done/")
def finish(who: Family, parts: TheHouse, records: FamilyRecords, form: FamilyFields) -> RedirectResponse:
    """Tell the teacher that everything was sent."""
    asked = open_request(records, who)
    asked.finished_at = asked.finished_at or parts.clock.now()
    return go_to(f"/f/{who.token}/done/")


@router.get("/delete/")
def delete_page(request: Request, who: Sender, parts: TheHouse) -> HTMLResponse:
    """Ask once more before everything is deleted; by a link that has run out nothing else is shown."""
    if not who.is_open:
        return page(request, "family/delete.html", here="delete", ended=who.token)
    with parts.store.for_studio(who.studio_id) as records:
        return page(request, "family/delete.html", **steps(records, who, open_request(records, who), "delete"))


@router.post("/delete/")
def delete_everything(request: Request, who: Sender, parts: TheHouse, form: SenderFields) -> HTMLResponse:
    """Delete everything sent through this link, now, even where it has run out; the link is closed with it."""
    with parts.store.for_studio(who.studio_id) as records:
        accepted = select(Upload.id).where(Upload.request_id == who.request_id, Upload.state == ACCEPTED)
        taken_over = records.scalars(accepted).first() is not None
    erase_request(parts.store, parts.photos, who.studio_id, who.request_id, parts.clock.now())
    return page(request, "family/deleted.html", closed_token=who.token, taken_over=taken_over)


def open_request(records: Session, who: FamilyVisit) -> PhotoRequest:
    """What the family is asked for.

    Raises
    ------
    LinkClosed
        If it was deleted meanwhile.
    """
    asked = records.get(PhotoRequest, who.request_id)
    if asked is None:
        raise LinkClosed
    return asked


def _own_upload(records: Session, who: FamilyVisit, upload_id: str) -> Upload:
    upload = records.get(Upload, upload_id)
    if upload is None or upload.request_id != who.request_id:
        raise nothing_here()
    return upload


def _next_step(records: Session, asked: PhotoRequest) -> str:
    """The first photo that is still wanted; where everything has been sent, how far it is."""
    return next((each.kind for each in still_wanted(records, asked)), "done/")


def steps(records: Session, who: FamilyVisit, asked: PhotoRequest, here: str) -> dict[str, Any]:
    """What every page of the family shows; the teacher's reason only while the photo is still wanted again.

    The child is named on each: a family with two children has two links, and photos of one must not go to the other.
    """
    wanted = next(iter(still_wanted(records, asked)), None)
    return {
        "token": who.token,
        "asked": asked,
        "nickname": records.get_one(Child, asked.child_id).nickname,
        "here": here,
        "good": arrived(records, asked) | ({"sheet"} if asked.bar_mm is not None or asked.reference else set()),
        "bar_nominal_mm": CHECK_BAR_MM,
        "print_mm": {paper.value: PRINT_HEIGHTS_MM[paper] for paper in Paper},
        "most_views": MOST_VIEWS,
        "reason": REASONS.get(wanted.reason or "") if wanted and wanted.again else None,
        "reason_code": (wanted.reason or "") if wanted else "",
        "wanted": wanted.kind if wanted else None,
    }


def _standing(records: Session, parts: House, asked: PhotoRequest) -> dict[str, Any]:
    """How far each photo is, and whether the teacher has sent a report since they were asked for."""
    sent = sent_report(records, asked.child_id, parts.clock.now(), asked.created_at)
    return {"states": photo_states(records, asked), "has_report": sent is not None}


def _photo_problem(
    request: Request, parts: House, who: FamilyVisit, kind: str, problem: str, status: int
) -> HTMLResponse:
    with parts.store.for_studio(who.studio_id) as records:
        asked = open_request(records, who)
        return page(
            request,
            f"family/{kind}.html",
            status,
            **steps(records, who, asked, kind),
            client_key=secrets.token_hex(16),
            problem=problem,
        )


def _kept_upload(
    parts: House, who: FamilyVisit, kind: str, key: str, contents: Sequence[bytes], label: str | None
) -> str:
    """Keep a photo that an adult agreed to send; its upload.

    `label` is the size on the instrument's label as the family says, empty where it left that open; None where it was
    not asked.
    """
    with parts.store.for_studio(who.studio_id) as records:
        asked = open_request(records, who)
        if asked.consent_at is None:
            raise LinkClosed
        if label is not None:
            asked.label = label or None
        reference = asked.reference
    sent = Sent(contents, who.studio_id, kind, key, who.request_id, who.child_id, reference, label or None)
    try:
        return keep_upload(parts.store, parts.photos, sent, parts.clock.now())
    except NobodyAsks:  # the link was deleted meanwhile
        raise LinkClosed from None


async def _result_of(parts: House, studio_id: str, upload_id: str) -> None:
    """Wait a while until an upload is measured; not where the service is about to stop, since the photo is kept."""

    def is_measured() -> bool:
        with parts.store.for_studio(studio_id) as records:
            upload = records.get(Upload, upload_id)
            return upload is None or upload.state != RECEIVED

    until = asyncio.get_running_loop().time() + WAIT_S
    with suppress(SQLAlchemyError), news_of(upload_id) as kept:  # acknowledged is acknowledged: the page asks again
        while asyncio.get_running_loop().time() < until and not parts.closing.is_set():
            if await run_in_threadpool(is_measured):
                return
            with suppress(TimeoutError):
                await asyncio.wait_for(kept.wait(), LOOK_EVERY_S)
            kept.clear()
