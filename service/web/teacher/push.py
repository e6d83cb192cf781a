"""The browsers in which a teacher is told, by push, that photos have arrived; offered where the settings allow it."""

from __future__ import annotations

from contextlib import suppress

from fastapi import APIRouter, Request
from fastapi.exceptions import HTTPException
from fastapi.responses import JSONResponse
from sqlalchemy import delete, select
from sqlalchemy.exc import IntegrityError

from service.jobs.targets import TargetRefused, read_target
from service.jobs.web_push import BrowserKeys, PushRoom
from service.records.tables import PushSubscription
from service.security import digest
from service.web.family.phone import app_manifest
from service.web.forms.models import BrowserForm, SubscriptionForm
from service.web.gate.guard import Fields, Records, TheHouse, Visitor, nothing_here
from service.web.house import House
from service.web.language import marked

router = APIRouter()
NAME = marked("Scrollreach for teachers")
MOST_BROWSERS = 10
"""Browsers of one teacher that are told, the latest ones: our choice, more than anybody carries."""


@router.get("/app.webmanifest")
def manifest(request: Request) -> JSONResponse:
    """How a teacher's pages stand on a phone's screen: some phones tell only what stands there."""
    return app_manifest(request, NAME, start="/children", scope="/")


@router.post("/account/push/on")
def switch_on(who: Visitor, parts: TheHouse, form: Fields) -> JSONResponse:
    """Tell this browser from now on, and nobody else who used it before."""
    room, wished = _room(parts), SubscriptionForm.read(form)
    try:
        read_target(wished.endpoint, room.rules)
        BrowserKeys.read(wished.point, wished.auth)
    except (TargetRefused, ValueError):
        raise HTTPException(422) from None
    browser = digest(wished.endpoint)
    with suppress(IntegrityError), parts.store.whole_house() as session:  # pressed twice at once: one of them was first
        session.execute(delete(PushSubscription).where(PushSubscription.endpoint_digest == browser))
        session.add(
            PushSubscription(
                studio_id=who.studio_id,
                teacher_id=who.teacher_id,
                sign_in_id=who.sign_in_id,
                endpoint=wished.endpoint,
                endpoint_digest=browser,
                point=wished.point,
                auth=wished.auth,
                signed_with=room.public_key,
                created_at=parts.clock.now(),
            )
        )
        session.flush()
        own = select(PushSubscription).where(PushSubscription.teacher_id == who.teacher_id)
        for old in session.scalars(own.order_by(PushSubscription.created_at.desc()).offset(MOST_BROWSERS)):
            session.delete(old)
    return JSONResponse({"on": True})


@router.post("/account/push/off")
def switch_off(who: Visitor, parts: TheHouse, records: Records, form: Fields) -> JSONResponse:
    """Tell this browser no more."""
    _room(parts)
    wanted = _of_this_browser(who.teacher_id, records, form)
    if wanted is not None:
        records.delete(wanted)
    return JSONResponse({"on": False})


@router.post("/account/push/seen")
def seen(who: Visitor, parts: TheHouse, records: Records, form: Fields) -> JSONResponse:
    """Whether this browser is told; from now on as part of the present sign-in, which may be a later one."""
    _room(parts)
    wanted = _of_this_browser(who.teacher_id, records, form)
    if wanted is not None:
        wanted.sign_in_id = who.sign_in_id
    return JSONResponse({"on": wanted is not None})


def _room(parts: House) -> PushRoom:
    if parts.push is None:
        raise nothing_here()
    return parts.push


def _of_this_browser(teacher_id: str, records: Records, form: Fields) -> PushSubscription | None:
    return records.scalars(
        select(PushSubscription).where(
            PushSubscription.teacher_id == teacher_id,
            PushSubscription.endpoint_digest == digest(BrowserForm.read(form).endpoint),
        )
    ).one_or_none()
