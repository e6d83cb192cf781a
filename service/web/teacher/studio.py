"""The studio: its settings, keys and webhooks, how long photos are kept, and taking or deleting everything."""

from __future__ import annotations

import json
from dataclasses import asdict

from fastapi import APIRouter, Request
from fastapi.responses import HTMLResponse, RedirectResponse, Response
from sqlalchemy import select
from sqlalchemy.orm import Session

from service.api.callers import FIRST_SCOPES, Scope
from service.fit.errors import FitError
from service.fit.losses import LOSS_WORDS, LOSSES, read_losses
from service.fit.sentences import say
from service.records.audit import Action, note
from service.records.deciding import losses_in_use
from service.records.erase import erase_studio
from service.records.export import studio_export
from service.records.hooks import Event
from service.records.shop_tables import Webhook
from service.records.tables import ApiKey, Invitation, Studio, Teacher
from service.security import digest, fresh_token
from service.settings import MOST_PHOTO_DAYS
from service.web.forms.models import DeleteWebhookForm, KeyForm, RevokeKeyForm, StudioForm
from service.web.forms.reading import text_field
from service.web.gate.guard import Fields, Records, SignedIn, TheHouse, Visitor, nothing_here
from service.web.gate.sign_in import left, not_the_teacher
from service.web.house import House
from service.web.language import marked, page_language, translator
from service.web.pages import go_to, page
from service.web.reach import Reach

router = APIRouter(prefix="/studio")
LONGEST_LOSS = 16
"""Letters of one loss; our choice, far more than a number of days has."""
USUAL_A_MINUTE = 60
"""Requests a minute of a key for which nothing else is said; our choice, one photo a second."""
SCOPES = {
    Scope.MEASURE: marked("measure photos"),
    Scope.DECIDE: marked("ask what fits, what to order, how an arm grows"),
    Scope.SHELF_READ: marked("read the shelf"),
    Scope.SHELF_WRITE: marked("change the shelf"),
    Scope.ORDERS: marked("keep open orders and check them against the shelf"),
    Scope.WEBHOOKS: marked("be told by itself of what happens"),
}
"""What a key may allow, in words for the page where it is made."""
EVENT_WORDS = {
    Event.ORDER_SUITED: marked("an instrument suits an open order"),
    Event.CHECK_FINISHED: marked("a check of the open orders is finished"),
}
"""What an address may be told of, in words for the page where it is seen."""


@router.get("")
def studio(request: Request, who: Visitor, parts: TheHouse, records: Records) -> HTMLResponse:
    """Show the studio."""
    return studio_page(request, who, parts, records)


@router.post("/settings")
def change_settings(who: Visitor, parts: TheHouse, records: Records, form: Fields) -> RedirectResponse:
    """Change the studio's name and how long photos are kept."""
    own = records.get_one(Studio, who.studio_id)
    wished = StudioForm.read(form)
    own.name = wished.name or own.name
    own.photo_days = wished.photo_days or own.photo_days
    note(records, who.studio_id, Action.SETTINGS_CHANGED, parts.clock.now(), who.teacher_id, who.studio_id)
    return go_to("/studio", told="saved")


@router.post("/losses")
def change_losses(request: Request, who: Visitor, parts: TheHouse, records: Records, form: Fields) -> Response:
    """Weigh wrong choices otherwise; a field left empty is as usual, and all of them as usual keep nothing."""
    typed = {name: text_field(form, name, LONGEST_LOSS) for name in LOSS_WORDS}
    wished = LOSSES
    for name, text in typed.items():
        try:
            wished = read_losses(f"{name}={text.replace(',', '.')}" if text else "", wished)
        except FitError as error:
            language = page_language(request)
            fault = say("{where}: {reason}", where=LOSS_WORDS[name], reason=error.sentence)
            return studio_page(
                request, who, parts, records, fault=fault.text(translator(language), language), typed=typed
            )
    records.get_one(Studio, who.studio_id).losses = None if wished == LOSSES else asdict(wished)
    note(records, who.studio_id, Action.SETTINGS_CHANGED, parts.clock.now(), who.teacher_id, who.studio_id)
    return go_to("/studio", told="saved")


@router.post("/keys")
def make_key(request: Request, who: Visitor, parts: TheHouse, records: Records, form: Fields) -> Response:
    """Make a key for a shop's program; it is shown once."""
    wished = KeyForm.read(form)
    token = fresh_token()
    records.add(
        made := ApiKey(
            studio_id=who.studio_id,
            name=wished.name or translator(page_language(request))(marked("A program")),
            token_digest=digest(token),
            a_minute=wished.a_minute or USUAL_A_MINUTE,
            scopes=" ".join(each.value for each in Scope if form.get(f"may-{each.value}")),
            created_at=parts.clock.now(),
        )
    )
    records.flush()
    note(records, who.studio_id, Action.KEY_MADE, parts.clock.now(), who.teacher_id, made.id)
    return studio_page(request, who, parts, records, key=token)


@router.post("/keys/revoke")
def revoke_key(who: Visitor, parts: TheHouse, records: Records, form: Fields) -> RedirectResponse:
    """Revoke a key, at once and for good."""
    key = records.get(ApiKey, RevokeKeyForm.read(form).key_id)
    if key is None:
        raise nothing_here()
    key.revoked_at = key.revoked_at or parts.clock.now()
    note(records, who.studio_id, Action.KEY_REVOKED, parts.clock.now(), who.teacher_id, key.id)
    return go_to("/studio", told="key")


@router.post("/webhooks/delete")
def delete_webhook(who: Visitor, parts: TheHouse, records: Records, form: Fields) -> RedirectResponse:
    """Tell an address no more, whatever key registered it."""
    hook = records.get(Webhook, DeleteWebhookForm.read(form).webhook_id)
    if hook is None:
        raise nothing_here()
    records.delete(hook)
    note(records, who.studio_id, Action.WEBHOOK_DELETED, parts.clock.now(), who.teacher_id, hook.id)
    return go_to("/studio")


@router.get("/export.json")
def export(who: Visitor, parts: TheHouse, records: Records) -> Response:
    """Hand out all that is kept."""
    note(records, who.studio_id, Action.EXPORTED, parts.clock.now(), who.teacher_id, who.studio_id)
    return Response(
        json.dumps(studio_export(records), ensure_ascii=False, indent=1),
        media_type="application/json",
        headers={"Content-Disposition": 'attachment; filename="studio.json"'},
    )


@router.get("/delete")
def delete_page(request: Request, who: Visitor, records: Records) -> HTMLResponse:
    """Ask for the password before everything is deleted."""
    return page(request, "teacher/studio_delete.html", studio=records.get_one(Studio, who.studio_id), problem=None)


@router.post("/delete")
def delete_studio(request: Request, who: Visitor, parts: TheHouse, form: Fields) -> Response:
    """Delete the studio with all its people, records and photos."""
    with parts.store.for_studio(who.studio_id) as records:
        own = records.get_one(Studio, who.studio_id)
        problem = not_the_teacher(parts, records.get_one(Teacher, who.teacher_id), form)
    if problem is not None:
        return page(request, "teacher/studio_delete.html", 403, studio=own, problem=problem)
    erase_studio(parts.store, parts.photos, who.studio_id)
    return left(parts)


def studio_page(
    request: Request,
    who: SignedIn,
    parts: House,
    records: Session,
    status: int = 200,
    link: str | None = None,
    reach: Reach | None = None,
    key: str | None = None,
    problem: str | None = None,
    fault: str | None = None,
    typed: dict[str, str] | None = None,
) -> HTMLResponse:
    """The page of the studio, with what is shown only once, or what could not be done."""
    usual, kept = asdict(LOSSES), asdict(losses_in_use(records))
    open_ones = Invitation.used_at.is_(None) & (Invitation.expires_at > parts.clock.now())
    invited = select(Invitation).where(Invitation.studio_id == who.studio_id, open_ones)
    return page(
        request,
        "teacher/studio.html",
        422 if fault else status,
        fault=fault,
        losses=[
            {
                "name": name,
                "words": words.template,
                "value": typed[name] if typed else f"{kept[name]:g}",
                "usual": usual[name],
            }
            for name, words in LOSS_WORDS.items()
        ],
        studio=records.get_one(Studio, who.studio_id),
        teachers=records.scalars(select(Teacher).order_by(Teacher.name)).all(),
        invitations=records.scalars(invited.order_by(Invitation.expires_at)).all(),
        who=who,
        link=link,
        reach=reach,
        key=key,
        problem=problem,
        keys=records.scalars(select(ApiKey).where(ApiKey.revoked_at.is_(None)).order_by(ApiKey.created_at)).all(),
        webhooks=records.scalars(select(Webhook).order_by(Webhook.created_at)).all(),
        event_words=EVENT_WORDS,
        usual_a_minute=USUAL_A_MINUTE,
        scopes=SCOPES,
        first_scopes=FIRST_SCOPES,
        most_days=MOST_PHOTO_DAYS,
    )
