"""The studio: its people, where they are signed in, how long photos are kept, and taking or deleting everything."""

from __future__ import annotations

import json

from fastapi import APIRouter, Request
from fastapi.responses import HTMLResponse, RedirectResponse, Response
from sqlalchemy import select

from service.records.erase import erase_studio
from service.records.export import studio_export
from service.records.tables import SignIn, Studio, Teacher
from service.security import password_fits
from service.settings import MOST_PHOTO_DAYS
from service.web.forms.models import InviteForm, RevokeForm, StudioForm
from service.web.gate.guard import Fields, Records, TheHouse, Visitor, nothing_here, session_cookie
from service.web.gate.sign_in import new_invitation
from service.web.pages import go_to, page
from service.web.teacher.requests import base_url

router = APIRouter(prefix="/studio")


@router.get("")
def studio(request: Request, who: Visitor, records: Records) -> HTMLResponse:
    """Show the studio."""
    return _shown(request, who, records)


@router.post("/settings")
def change_settings(who: Visitor, records: Records, form: Fields) -> RedirectResponse:
    """Change the studio's name, how long photos are kept, and the teacher's language."""
    own = records.get_one(Studio, who.studio_id)
    wished = StudioForm.read(form)
    own.name = wished.name or own.name
    own.photo_days = wished.photo_days or own.photo_days
    teacher = records.get_one(Teacher, who.teacher_id)
    teacher.language = wished.language or teacher.language
    return go_to("/studio")


@router.post("/invite")
def invite(request: Request, who: Visitor, parts: TheHouse, records: Records, form: Fields) -> Response:
    """Make a link for a further teacher, or for one who lost the password."""
    teacher_id = InviteForm.read(form).teacher_id
    if teacher_id and records.get(Teacher, teacher_id) is None:
        raise nothing_here()
    token = new_invitation(records, parts, who.studio_id, teacher_id or None)
    return _shown(request, who, records, link=f"{base_url(request, parts)}/welcome/{token}")


@router.post("/revoke")
def revoke(who: Visitor, parts: TheHouse, records: Records, form: Fields) -> RedirectResponse:
    """Sign a browser out."""
    sign_in = records.get(SignIn, RevokeForm.read(form).sign_in_id)
    if sign_in is None or sign_in.teacher_id != who.teacher_id:
        raise nothing_here()
    sign_in.revoked_at = parts.clock.now()
    return go_to("/studio" if sign_in.id != who.sign_in_id else "/sign-in")


@router.get("/export.json")
def export(who: Visitor, records: Records) -> Response:
    """Hand out all that is kept."""
    return Response(
        json.dumps(studio_export(records), ensure_ascii=False, indent=1),
        media_type="application/json",
        headers={"Content-Disposition": 'attachment; filename="studio.json"'},
    )


@router.get("/delete")
def delete_page(request: Request, who: Visitor, records: Records) -> HTMLResponse:
    """Ask for the password before everything is deleted."""
    return page(request, "teacher/studio_delete.html", studio=records.get_one(Studio, who.studio_id), wrong=False)


@router.post("/delete")
def delete_studio(request: Request, who: Visitor, parts: TheHouse, form: Fields) -> Response:
    """Delete the studio with all its people, records and photos."""
    with parts.store.for_studio(who.studio_id) as records:
        own = records.get_one(Studio, who.studio_id)
        right = password_fits(
            str(form.get("password", ""))[:200], records.get_one(Teacher, who.teacher_id).password_hash
        )
    if not (right and parts.limiter.allows("sign-in", who.teacher_id)):
        return page(request, "teacher/studio_delete.html", 403, studio=own, wrong=True)
    erase_studio(parts.store, parts.photos, who.studio_id)
    answer = go_to("/sign-in")
    answer.delete_cookie(session_cookie(parts), secure=parts.settings.secure_cookies, httponly=True)
    return answer


def _shown(request: Request, who: Visitor, records: Records, link: str | None = None) -> HTMLResponse:
    return page(
        request,
        "teacher/studio.html",
        studio=records.get_one(Studio, who.studio_id),
        teachers=records.scalars(select(Teacher).order_by(Teacher.name)).all(),
        sign_ins=records.scalars(
            select(SignIn)
            .where(SignIn.teacher_id == who.teacher_id, SignIn.revoked_at.is_(None))
            .order_by(SignIn.created_at.desc())
        ).all(),
        who=who,
        link=link,
        most_days=MOST_PHOTO_DAYS,
    )
