"""Asking a family for photos: what, in which language, until when; then the link and its QR code."""

from __future__ import annotations

import io
from datetime import timedelta
from typing import Annotated

import segno
from fastapi import APIRouter, Path, Request
from fastapi.responses import HTMLResponse, RedirectResponse
from markupsafe import Markup
from sqlalchemy.orm import Session

from service.questions.asked import BETWEEN_BARS_MM
from service.records.audit import Action, note
from service.records.tables import Child, PhotoRequest
from service.records.wanted import is_open, still_wanted
from service.settings import MOST_LINK_DAYS
from service.web.forms.models import RequestForm
from service.web.gate.guard import FAMILY, Fields, Records, TheHouse, Visitor, nothing_here
from service.web.house import House, base_url
from service.web.language import marked, page_language, translator
from service.web.pages import go_to, page
from service.web.reach import reach
from service.web.teacher.deeds import did, go_done

router = APIRouter()

REASONS = {
    "sheet": marked("The sheet is not quite flat or not fully in the picture."),
    "arm": marked("The arm is not quite straight or not out to the side."),
    "sleeve": marked("Neck or hand are covered; please free them of hair and sleeves."),
    "light": marked("The picture is too dark or blurred."),
    "far": marked("Please take the picture from a little further away, or a little nearer."),
    "instrument": marked("Please lay the instrument flat on its back, right beside the sheet."),
}
"""What a teacher can ask to be done differently, with one tap."""
MAIL_SUBJECT = marked("Two photos for the right size of instrument")
MAIL_WORDS = marked(
    "Please open this link on a phone. It explains the photos step by step and takes about ten minutes:"
)
"""A mail that the teacher's own mail program opens with, in the family's language."""


@router.get("/children/{child_id}/request")
def new_request(request: Request, child_id: str, parts: TheHouse, records: Records) -> HTMLResponse:
    """Ask what to ask for."""
    child = records.get(Child, child_id)
    if child is None:
        raise nothing_here()
    return page(request, "teacher/request_new.html", child=child, days=parts.settings.link_days, longest=MOST_LINK_DAYS)


@router.post("/children/{child_id}/request")
def make_request(
    request: Request, child_id: str, who: Visitor, parts: TheHouse, records: Records, form: Fields
) -> RedirectResponse:
    """Make the request and show its link."""
    child = records.get(Child, child_id)
    if child is None:
        raise nothing_here()
    wished = RequestForm.read(form)
    asked = ask(
        records,
        parts,
        child,
        asks_arm=wished.arm or not wished.instrument,
        asks_instrument=wished.instrument or not wished.arm,
        language=wished.language or page_language(request),
        days=wished.days or parts.settings.link_days,
    )
    note(records, who.studio_id, Action.LINK_MADE, parts.clock.now(), who.teacher_id, child.id)
    return go_to(f"/requests/{asked.id}")


@router.get("/requests/{request_id}")
def request_page(
    request: Request, request_id: Annotated[str, Path()], parts: TheHouse, records: Records
) -> HTMLResponse:
    """Show the link, to copy or to scan."""
    asked = _request(records, request_id)
    link = family_link(request, parts, asked.id)
    return page(
        request,
        "teacher/request.html",
        asked=asked,
        child=records.get_one(Child, asked.child_id),
        link=link,
        qr=qr_svg(link),
        reach=reach(link, parts.settings.has_own_certificate),
        open=is_open(asked, parts.clock.now()),
        wanted=[(each, REASONS.get(each.reason or "")) for each in still_wanted(records, asked)],
        whole_from_mm=BETWEEN_BARS_MM[1],
        subject=translator(asked.language)(MAIL_SUBJECT),
        words=translator(asked.language)(MAIL_WORDS),
    )


@router.post("/requests/{request_id}/close")
def close_request(request_id: str, who: Visitor, parts: TheHouse, records: Records, form: Fields) -> RedirectResponse:
    """Close the link."""
    asked = _request(records, request_id)
    with did(records, who, parts, "link-closed", asked.child_id) as deed:
        asked.revoked_at = asked.revoked_at or parts.clock.now()
    return go_done(f"/requests/{asked.id}", deed)


def ask(
    records: Session,
    parts: House,
    child: Child,
    *,
    asks_arm: bool,
    asks_instrument: bool,
    language: str,
    days: int,
    reason: str | None = None,
) -> PhotoRequest:
    """Make a request for photos."""
    now = parts.clock.now()
    asked = PhotoRequest(
        studio_id=child.studio_id,
        child_id=child.id,
        asks_arm=asks_arm,
        asks_instrument=asks_instrument,
        language=language,
        reason=reason,
        created_at=now,
        expires_at=now + timedelta(days=days),
    )
    records.add(asked)
    records.flush()
    return asked


def family_link(request: Request, parts: House, request_id: str) -> str:
    """Address of a family's pages."""
    return f"{base_url(request, parts.settings)}/f/{parts.signer.token(FAMILY, request_id)}"


def qr_svg(link: str) -> Markup:
    """A link as QR code (ISO/IEC 18004), drawn without colours of its own."""
    out = io.BytesIO()
    segno.make(link, error="m").save(out, kind="svg", xmldecl=False, svgns=False, scale=4, border=2, omitsize=True)
    return Markup(out.getvalue().decode())


def _request(records: Session, request_id: str) -> PhotoRequest:
    asked = records.get(PhotoRequest, request_id)
    if asked is None:
        raise nothing_here()
    return asked
