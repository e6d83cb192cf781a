"""A shop's open orders, the check of all of them as a job, and webhooks that tell what happened."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import UTC, datetime
from typing import Annotated, Any, Literal

from fastapi import APIRouter, BackgroundTasks, HTTPException, Query, Request, Response
from pydantic import BaseModel, ConfigDict, Field
from sqlalchemy import and_, func, or_, select

from calibration.quantity import length_json
from service.api.callers import Caller, Scope, needs_member
from service.api.measurement_routes import LengthOut
from service.api.once import ONCE, OnceRoute, Records, TheClock
from service.api.paging import Cursor, Limit, cursor_of, read_cursor
from service.api.problem_details import RESPONSES, ProblemDetails
from service.api.shelf_routes import Line
from service.jobs.shop import Backroom, start_check, start_delivery
from service.jobs.targets import LONGEST_URL, TargetRefused, read_target
from service.questions.asked import ArmLength
from service.records.columns import fresh_id
from service.records.hooks import Event, tell_one
from service.records.orders import Shelf
from service.records.shop_tables import DONE, WAITING, Delivery, OpenOrder, ShopJob, Webhook

router = APIRouter(prefix="/api/v1", responses=RESPONSES)
once = APIRouter(prefix="/api/v1", responses=RESPONSES, route_class=OnceRoute, dependencies=[ONCE])

NOT_THERE: dict[int | str, dict[str, Any]] = {404: {"model": ProblemDetails, "description": "There is none such."}}
MOST_WEBHOOKS = 20
"""Addresses of one studio; our choice."""
ORDERS, HOOKS = needs_member(Scope.ORDERS), needs_member(Scope.WEBHOOKS)
Identity = Annotated[str, Field(pattern="^[0-9a-f]{32}$")]


class OpenOrderIn(BaseModel):
    """An order as the shop has it."""

    reference: Line = Field(min_length=1, max_length=60, description="Your own number for it; no name.")
    arm_length: Annotated[ArmLength, Field(description="The arm: V±U in mm, U the expanded (95 %) uncertainty.")]
    growth_mm: float = Field(
        0.0, ge=0, le=100, allow_inf_nan=False, description="Growth after which it shall not be too small, mm."
    )

    model_config = ConfigDict(
        extra="forbid",
        arbitrary_types_allowed=True,
        json_schema_extra={"examples": [{"reference": "2031-118", "arm_length": "450±6", "growth_mm": 12}]},
    )


class OpenOrderOut(BaseModel):
    """An order, and what of the shelf suits it."""

    id: str
    reference: str
    arm_length: LengthOut
    growth_mm: float
    suiting: list[str] = Field(description="Instruments on the shelf that suit it, as last checked, the best first.")
    created_at: datetime
    checked_at: datetime | None
    closed_at: datetime | None
    same_reference: list[str] = Field(
        description="Other open orders with this reference: one for each instrument that is wanted, or a slip."
    )


class OpenOrderPage(BaseModel):
    """A page of orders."""

    items: list[OpenOrderOut]
    next_cursor: str | None


class JobOut(BaseModel):
    """Work that takes longer than an answer may."""

    id: str
    kind: Literal["check"]
    state: Literal["waiting", "running", "done"]
    total: int = Field(description="Orders that are to be checked.")
    done: int = Field(description="Of these, checked.")
    found: int = Field(description="Of these, such that something suits.")
    created_at: datetime
    finished_at: datetime | None


HookEvent = Literal["order.suited", "check.finished"]


class WebhookIn(BaseModel):
    """An address, and what it is told."""

    url: str = Field(max_length=LONGEST_URL, description="https:// and a name of the internet.")
    events: list[HookEvent] = Field(min_length=1, max_length=10)

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


def _member(request: Request) -> Caller:
    who: Caller = request.state.caller
    return who


def _order_out(records: Records, order: OpenOrder) -> dict[str, Any]:
    (out,) = _orders_out(records, [order])
    return out


def _orders_out(records: Records, orders: Sequence[OpenOrder]) -> list[dict[str, Any]]:
    named = {each.reference for each in orders}
    found = records.scalars(
        select(OpenOrder).where(OpenOrder.reference.in_(named), OpenOrder.closed_at.is_(None)).order_by(OpenOrder.id)
    ).all()
    as_kept = [name for name in OpenOrderOut.model_fields if name not in ("arm_length", "same_reference")]
    return [
        {name: getattr(order, name) for name in as_kept}
        | {
            "arm_length": order.arm,
            "same_reference": [each.id for each in found if each.reference == order.reference and each is not order],
        }
        for order in orders
    ]


@once.post(
    "/open-orders",
    response_model=OpenOrderOut,
    status_code=201,
    tags=["orders"],
    summary="Keep an order open",
    dependencies=[ORDERS],
)
def open_order(
    request: Request, response: Response, said: OpenOrderIn, records: Records, clock: TheClock
) -> dict[str, Any]:
    """Keep an arm for which an instrument is promised, and say what of the shelf suits it already."""
    now = clock.now()
    order = OpenOrder(
        id=fresh_id(),
        studio_id=_member(request).studio_id,
        reference=said.reference,
        arm=length_json(said.arm_length),
        growth_mm=said.growth_mm,
        suiting=[],
        created_at=now,
        checked_at=now,
        closed_at=None,
    )
    order.suiting = Shelf.of(records).suiting(said.arm_length, said.growth_mm)
    records.add(order)
    records.flush()
    response.headers["Location"] = f"/api/v1/open-orders/{order.id}"
    return _order_out(records, order)


@router.get("/open-orders", response_model=OpenOrderPage, tags=["orders"], summary="The orders", dependencies=[ORDERS])
def orders_kept(
    records: Records,
    limit: Limit = 100,
    cursor: Cursor = None,
    closed: Annotated[bool, Query(description="Those that are closed instead.")] = False,
    reference: Annotated[str | None, Query(max_length=60, description="Those with this reference only.")] = None,
) -> dict[str, Any]:
    """Orders that are open, a page at a time."""
    after = read_cursor(cursor, 1)
    wanted = select(OpenOrder).where(OpenOrder.closed_at.is_not(None) if closed else OpenOrder.closed_at.is_(None))
    if reference is not None:
        wanted = wanted.where(OpenOrder.reference == reference)
    if after is not None:
        wanted = wanted.where(OpenOrder.id > after[0])
    found = records.scalars(wanted.order_by(OpenOrder.id).limit(limit + 1)).all()
    last = cursor_of(found[limit - 1].id) if len(found) > limit else None
    return {"items": _orders_out(records, found[:limit]), "next_cursor": last}


def _order(records: Records, order_id: str) -> OpenOrder:
    found = records.get(OpenOrder, order_id)
    if found is None:
        raise HTTPException(404, "There is no such order.")
    return found


@router.get(
    "/open-orders/{order_id}",
    response_model=OpenOrderOut,
    responses=NOT_THERE,
    tags=["orders"],
    summary="One order",
    dependencies=[ORDERS],
)
def order_is(order_id: Identity, records: Records) -> dict[str, Any]:
    """One order, as last checked."""
    return _order_out(records, _order(records, order_id))


@once.post(
    "/open-orders/{order_id}/close",
    response_model=OpenOrderOut,
    responses=NOT_THERE,
    tags=["orders"],
    summary="Close an order",
    dependencies=[ORDERS],
)
def close_order(order_id: Identity, records: Records, clock: TheClock) -> dict[str, Any]:
    """Check an order no longer; closed twice is closed once."""
    order = _order(records, order_id)
    order.closed_at = order.closed_at or clock.now()
    return _order_out(records, order)


@router.delete(
    "/open-orders/{order_id}",
    status_code=204,
    response_class=Response,
    responses=NOT_THERE,
    tags=["orders"],
    summary="Delete an order",
    dependencies=[ORDERS],
)
def delete_order(request: Request, order_id: Identity, background: BackgroundTasks) -> Response:
    """Delete an order with its arm."""
    store = request.app.state.store
    with store.for_studio(_member(request).studio_id) as records:
        records.delete(_order(records, order_id))
    background.add_task(store.forget_traces)
    return Response(status_code=204, background=background)


@once.post(
    "/open-order-checks",
    response_model=JobOut,
    status_code=202,
    tags=["orders"],
    summary="Check all open orders against the shelf",
    dependencies=[ORDERS],
)
def check(
    request: Request, response: Response, records: Records, clock: TheClock, background: BackgroundTasks
) -> dict[str, Any]:
    """Begin a job; ask for it under `Location` to hear how far it has come."""
    now = clock.now()
    job = ShopJob(
        studio_id=_member(request).studio_id,
        kind="check",
        state=WAITING,
        total=records.scalar(select(func.count()).select_from(OpenOrder).where(OpenOrder.closed_at.is_(None))) or 0,
        done=0,
        found=0,
        after=None,
        created_at=now,
        touched_at=now,
        finished_at=None,
    )
    records.add(job)
    records.flush()
    background.add_task(start_check, job.id)
    response.headers["Location"] = f"/api/v1/jobs/{job.id}"
    return _fields(JobOut, job)


@router.get(
    "/jobs/{job_id}",
    response_model=JobOut,
    responses=NOT_THERE,
    tags=["orders"],
    summary="How far a job has come",
    dependencies=[ORDERS],
)
def job_is(job_id: Identity, records: Records, response: Response) -> dict[str, Any]:
    """State and counts of a job, until thirty days after it has finished."""
    found = records.get(ShopJob, job_id)
    if found is None:
        raise HTTPException(404, "There is no such job.")
    if found.state != DONE:
        response.headers["Retry-After"] = "1"
    return _fields(JobOut, found)


def _fields(model: type[BaseModel], row: Any) -> dict[str, Any]:
    return {name: getattr(row, name) for name in model.model_fields}


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
    tags=["webhooks"],
    summary="Be told of what happens",
    dependencies=[HOOKS],
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
        studio_id=_member(request).studio_id,
        url=said.url,
        events=" ".join(dict.fromkeys(said.events)),
        created_at=clock.now(),
        failing_since=None,
        disabled_at=None,
    )
    records.add(hook)
    records.flush()
    return _hook_out(hook) | {"secret": _secret(request, hook)}


@router.get("/webhooks", response_model=Webhooks, tags=["webhooks"], summary="The webhooks", dependencies=[HOOKS])
def webhooks(records: Records) -> dict[str, Any]:
    """All addresses that are told of what happens, and how they are."""
    return {"items": [_hook_out(each) for each in records.scalars(select(Webhook).order_by(Webhook.created_at))]}


@router.put(
    "/webhooks/{webhook_id}",
    response_model=WebhookMade,
    responses=NOT_THERE,
    tags=["webhooks"],
    summary="Change a webhook",
    dependencies=[HOOKS],
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
    tags=["webhooks"],
    summary="Delete a webhook",
    dependencies=[HOOKS],
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
    tags=["webhooks"],
    summary="Send a test",
    dependencies=[HOOKS],
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
    tags=["webhooks"],
    summary="What was told, and what was answered",
    dependencies=[HOOKS],
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
