"""Webhooks: addresses that are told what happens, and what became of each event."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import UTC, datetime
from typing import Any, Literal

from fastapi import APIRouter, BackgroundTasks, HTTPException, Request, Response
from pydantic import BaseModel, ConfigDict, Field
from sqlalchemy import and_, or_, select

from service.api.callers import Scope, caller_of, needs_member
from service.api.once import ONCE, OnceRoute, Records, TheClock
from service.api.paging import Cursor, Identity, Limit, cursor_of, read_cursor
from service.api.problem_details import NOT_THERE, RESPONSES
from service.jobs.shop import Backroom, start_delivery
from service.jobs.targets import LONGEST_URL, TargetRefused, read_target
from service.records.columns import fresh_id
from service.records.hooks import Event, tell_one
from service.records.shop_tables import Delivery, Webhook

HOOKS = needs_member(Scope.WEBHOOKS)

router = APIRouter(prefix="/api/v1", responses=RESPONSES, tags=["webhooks"], dependencies=[HOOKS])
once = APIRouter(
    prefix="/api/v1", responses=RESPONSES, tags=["webhooks"], route_class=OnceRoute, dependencies=[HOOKS, ONCE]
)

MOST_WEBHOOKS = 20
"""Addresses of one studio; our choice."""

HookEvent = Literal["order.suited", "check.finished"]


class WebhookIn(BaseModel):
    """An address, and what it is told."""

    url: str = Field(max_length=LONGEST_URL, description="https:// and a name of the internet.")
    events: list[HookEvent] = Field(
        min_length=1,
        max_length=10,
        description="order.suited: something newly suits an open order, as a check finds; check.finished: a check has "
        "ended.",
    )

    model_config = ConfigDict(
        extra="forbid",
        json_schema_extra={"examples": [{"url": "https://till.example/scrollreach", "events": ["order.suited"]}]},
    )


class WebhookOut(BaseModel):
    """An address that is told of what happens."""

    id: str
    url: str
    events: list[HookEvent]
    created_at: datetime
    failing_since: datetime | None
    disabled_at: datetime | None = Field(description="Not null: it is told nothing more until it is written anew.")


class WebhookMade(WebhookOut):
    """An address that was written, with the secret of its signatures; no list shows it."""

    secret: str = Field(description="For the Standard Webhooks: whsec_...")


class Webhooks(BaseModel):
    """All addresses."""

    items: list[WebhookOut]


class DeliveryOut(BaseModel):
    """One event on its way."""

    id: str = Field(description="The `webhook-id` is msg_ and this.")
    event: str
    data: dict[str, Any] = Field(description="Identities only.")
    state: Literal["waiting", "delivered", "given_up"]
    tries: int
    status: int | None = Field(description="What the receiver answered last.")
    fault: str | None
    created_at: datetime
    next_try_at: datetime | None


class DeliveryPage(BaseModel):
    """Deliveries, the newest first."""

    items: list[DeliveryOut]
    next_cursor: str | None


def _hook_out(hook: Webhook) -> dict[str, Any]:
    return {name: getattr(hook, name) for name in WebhookOut.model_fields} | {"events": hook.events.split()}


def _hook(records: Records, webhook_id: str) -> Webhook:
    found = records.get(Webhook, webhook_id)
    if found is None:
        raise HTTPException(404, "There is no such webhook.")
    return found


def _secret(request: Request, hook: Webhook) -> str:
    backroom: Backroom = request.app.state.backroom
    return backroom.secrets_of(hook.id)[0]


def _check_target(request: Request, url: str) -> None:
    try:
        read_target(url, request.app.state.backroom.rules)
    except TargetRefused as refused:
        raise HTTPException(422, f"url: {refused}") from None


def _check_new(others: Sequence[Webhook], url: str) -> None:
    if any(each.url == url for each in others):
        raise HTTPException(422, "url: there is a webhook for this address already; change or delete it.")


@router.post(
    "/webhooks",
    response_model=WebhookMade,
    status_code=201,
    summary="Be told of what happens",
)
def make_webhook(request: Request, said: WebhookIn, records: Records, clock: TheClock) -> dict[str, Any]:
    """Keep an address, once; the secret by which its deliveries are signed is shown now only."""
    _check_target(request, said.url)
    kept = records.scalars(select(Webhook)).all()
    if len(kept) >= MOST_WEBHOOKS:
        raise HTTPException(422, f"There are {MOST_WEBHOOKS} webhooks already.")
    _check_new(kept, said.url)
    hook = Webhook(
        id=fresh_id(),
        studio_id=caller_of(request).studio_id,
        url=said.url,
        events=" ".join(dict.fromkeys(said.events)),
        created_at=clock.now(),
        failing_since=None,
        disabled_at=None,
    )
    records.add(hook)
    records.flush()
    return _hook_out(hook) | {"secret": _secret(request, hook)}


@router.get("/webhooks", response_model=Webhooks, summary="The webhooks")
def webhooks(records: Records) -> dict[str, Any]:
    """All addresses that are told of what happens, and how they are."""
    return {"items": [_hook_out(each) for each in records.scalars(select(Webhook).order_by(Webhook.created_at))]}


@router.put(
    "/webhooks/{webhook_id}",
    response_model=WebhookMade,
    responses=NOT_THERE,
    summary="Change a webhook",
)
def change_webhook(request: Request, webhook_id: Identity, said: WebhookIn, records: Records) -> dict[str, Any]:
    """Write a webhook anew and show its secret again; one that was given up is told of things again."""
    hook = _hook(records, webhook_id)
    _check_target(request, said.url)
    _check_new(records.scalars(select(Webhook).where(Webhook.id != hook.id)).all(), said.url)
    hook.url, hook.events = said.url, " ".join(dict.fromkeys(said.events))
    hook.disabled_at = hook.failing_since = None
    return _hook_out(hook) | {"secret": _secret(request, hook)}


@router.delete(
    "/webhooks/{webhook_id}",
    status_code=204,
    response_class=Response,
    responses=NOT_THERE,
    summary="Delete a webhook",
)
def delete_webhook(webhook_id: Identity, records: Records) -> Response:
    """Delete an address with its deliveries."""
    records.delete(_hook(records, webhook_id))
    return Response(status_code=204)


@once.post(
    "/webhooks/{webhook_id}/tests",
    response_model=DeliveryOut,
    status_code=202,
    responses=NOT_THERE,
    summary="Send a test",
)
def try_webhook(webhook_id: Identity, records: Records, clock: TheClock, background: BackgroundTasks) -> dict[str, Any]:
    """Put an event of kind `test` on its way to an address."""
    hook = _hook(records, webhook_id)
    delivery = tell_one(records, hook, Event.TEST, {"webhook_id": hook.id}, clock.now())
    background.add_task(start_delivery, delivery.id)
    return _delivery_out(delivery)


def _delivery_out(delivery: Delivery) -> dict[str, Any]:
    said = {name: getattr(delivery, name) for name in DeliveryOut.model_fields if name != "data"}
    return said | {"data": delivery.about}


@router.get(
    "/webhooks/{webhook_id}/deliveries",
    response_model=DeliveryPage,
    responses=NOT_THERE,
    summary="What was told, and what was answered",
)
def deliveries(webhook_id: Identity, records: Records, limit: Limit = 100, cursor: Cursor = None) -> dict[str, Any]:
    """Deliveries of the last thirty days, the newest first."""
    _hook(records, webhook_id)
    before = read_cursor(cursor, 2)
    wanted = select(Delivery).where(Delivery.webhook_id == webhook_id)
    if before is not None:
        try:
            moment = datetime.fromisoformat(before[0]).astimezone(UTC)
        except (ValueError, OverflowError):
            raise HTTPException(422, "This cursor is none of ours.") from None
        same = and_(Delivery.created_at == moment, Delivery.id < before[1])
        wanted = wanted.where(or_(Delivery.created_at < moment, same))
    found = records.scalars(wanted.order_by(Delivery.created_at.desc(), Delivery.id.desc()).limit(limit + 1)).all()
    last = found[limit - 1] if len(found) > limit else None
    return {
        "items": [_delivery_out(each) for each in found[:limit]],
        "next_cursor": None if last is None else cursor_of(last.created_at.isoformat(), last.id),
    }


ROUTERS = (router, once)
